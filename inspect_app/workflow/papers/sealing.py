"""The seal of documents: made on first use, or the organisation's own; the record keeps who vouches for it."""

import os
import tempfile
from pathlib import Path

from inspect_app.documents import seal as seals
from inspect_app.documents.seal import Seal
from inspect_app.errors import InspectError, NotFound
from inspect_app.storage import standing
from inspect_app.workflow.evidence import write_whole
from inspect_app.workflow.workplace import Workplace, acting, reading


def seal(workplace: Workplace) -> Seal:
    """Return the seal that documents are signed with; the authority behind it is trusted by the record from then on.

    Raises
    ------
    NotFound
        The file that the settings name does not exist.
    UnusableInput
        It cannot be opened with the passphrase of the settings.
    """
    path = workplace.settings.signing_key
    if not path.exists():
        if workplace.settings.given_signing_key is not None:
            raise NotFound(str(path), "there is no such file", "Name the PKCS #12 file of your organisation.")
        _make(workplace, path)
    try:
        found = seals.read_seal(str(path), path.read_bytes(), workplace.settings.signing_passphrase)
    except OSError as error:
        raise InspectError(str(path), f"it cannot be read ({error.strerror or error})", "See to it.") from error
    _trust(workplace, found.authority)
    return found


def _make(workplace: Workplace, path: Path) -> None:
    """Write a new seal whole and readable by its owner only; where another process was quicker, its seal stays."""
    organisation = workplace.settings.issuer.splitlines()[0]
    packed = seals.make_seal(organisation, workplace.settings.signing_passphrase, workplace.clock())
    descriptor, temporary = tempfile.mkstemp(dir=path.parent)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(packed)
        os.link(temporary, path)
    except FileExistsError:
        pass
    finally:
        Path(temporary).unlink()


def _trust(workplace: Workplace, authority: str) -> None:
    """Keep the certificate in the record, and beside it as a file to be handed to whoever verifies elsewhere."""
    if authority in authorities(workplace):
        return
    write_whole(workplace.settings.instance / "authority.pem", authority.encode())
    with acting(workplace, None, "keep", "seal of documents trusted") as act:
        if authority not in standing.authorities(act.session):
            standing.add_authority(act, authority)
            act.tell("authority")


def authorities(workplace: Workplace) -> tuple[str, ...]:
    """Return the certificates, as PEM, that vouch for the documents of this record."""
    with reading(workplace) as session:
        return standing.authorities(session)
