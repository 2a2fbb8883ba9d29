"""``inspect-app pack``: write an audit pack."""

import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO, cast

import click

from inspect_app import workflow
from inspect_app.cli._place import instance_option, opened, person_options, signed_in
from inspect_app.errors import InspectError
from inspect_app.workflow import PackKind

EXAMPLES = """\b
Examples:
  inspect-app pack lot BSR-014-L01 --as ada
  inspect-app pack serial QD-00412 --as otto --output qd-00412.zip
  unzip audit-lot-BSR-014-L01.zip -d pack && python3 pack/verify.py
"""


@click.command(short_help="Write an audit pack of a contract, a lot or a serial.", epilog=EXAMPLES)
@click.argument("kind", type=click.Choice([kind.value for kind in PackKind]))
@click.argument("name")
@click.option("--maker", default="", help="Of the device, where several makers use the serial.")
@click.option("--output", type=click.Path(path_type=Path, dir_okay=False), help="Archive to write.")
@person_options
@instance_option
def command(
    kind: str, name: str, maker: str, output: Path | None, login: str, password: str, instance: Path | None
) -> None:
    """Write all that is known of a contract, a lot or a serial into one ZIP archive that proves itself.

    It holds documents, captures, measurement records with their schema, tables, the audit chain with a verifier that
    needs nothing but Python, and an index.
    """
    with opened(instance) as place:
        person = signed_in(place, login, password)
        matter = workflow.pack_matter(place, PackKind(kind), name, maker)
        path = output or Path(matter.file_name)
        with click.progressbar(length=1, label=f"Packing {matter.subject}", show_eta=True) as progress:

            def told(done: int, total: int) -> None:
                progress.length = total
                progress.update(done - progress.pos)

            count = _write(path, lambda target: workflow.write_pack(place, person, matter, target, told))
        click.echo(f"{path}: {count} inspections, {path.stat().st_size} bytes")


def _write(path: Path, write: Callable[[BinaryIO], int]) -> int:
    """Write the archive aside and give it its name when it is whole."""
    try:
        descriptor, temporary = tempfile.mkstemp(dir=path.parent, suffix=".part")
    except OSError as error:
        raise InspectError(str(path), f"it cannot be written ({error.strerror})", "Name another place.") from error
    try:
        with os.fdopen(descriptor, "wb") as target:
            count = write(cast(BinaryIO, target))
        Path(temporary).replace(path)
    finally:
        Path(temporary).unlink(missing_ok=True)
    return count
