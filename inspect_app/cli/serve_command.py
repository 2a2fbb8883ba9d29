"""``inspect-app serve``: the web application on this machine."""

import ipaddress
import signal
from pathlib import Path
from types import FrameType
from typing import Final

import click

from inspect_app.cli._place import instance_option, opened
from inspect_app.errors import UnusableInput

_THREADS: Final = 8
EXAMPLES: Final = """\b
Examples:
  inspect-app serve
  inspect-app serve --port 8080 --instance /srv/inspection
"""


@click.command(short_help="Serve the web application on this machine.", epilog=EXAMPLES)
@instance_option
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", default=8000, show_default=True, type=click.IntRange(0, 65535), help="0 takes any free port.")
def command(instance: Path | None, host: str, port: int) -> None:
    """Serve the web application until it is stopped with Ctrl-C.

    It listens to this machine alone. Another address opens it to the network without encryption: put a proxy with TLS
    before it.
    """
    from waitress import create_server  # noqa: PLC0415 (each command loads what it needs)

    from inspect_app.web import create_app  # noqa: PLC0415 (likewise)

    with opened(instance, may_begin=True) as place:
        application = create_app({"WORKPLACE": place})
        try:
            server = create_server(application, host=host, port=port, threads=_THREADS)
        except (OSError, ValueError) as error:
            raise UnusableInput(
                f"{host}:{port}", f"the server cannot listen there ({error})", "Name another with --host or --port."
            ) from error
        if not _is_this_machine(host):
            click.echo(f"Warning: {host} can be reached from the network, and nothing is encrypted.", err=True)
        shown = f"[{host}]" if ":" in host else host
        click.echo(f"Serving on http://{shown}:{getattr(server, 'effective_port', port)} (stop with Ctrl-C)")
        signal.signal(signal.SIGTERM, _stop)
        try:
            server.run()
        finally:
            server.close()


def _is_this_machine(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _stop(_signal: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt
