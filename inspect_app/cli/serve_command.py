"""``inspect-app serve``: the web application on this machine."""

import ipaddress
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Final

import click

from inspect_app.cli._place import instance_option, opened
from inspect_app.errors import UnusableInput

_THREADS: Final = 8
_LARGEST_REQUEST_BYTES: Final = 2 << 30  # a page without script sends all its files at once
_FORWARDED: Final = frozenset({"x-forwarded-for", "x-forwarded-host", "x-forwarded-proto"})
_WORKER_ENDS_WITHIN_S: Final = 30
EXAMPLES: Final = """\b
Examples:
  inspect-app serve
  inspect-app serve --port 8080 --instance /srv/inspection
  inspect-app serve --host 192.168.1.20 --proxy 192.168.1.21
"""


@click.command(short_help="Serve the web application on this machine.", epilog=EXAMPLES)
@instance_option
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", default=8000, show_default=True, type=click.IntRange(0, 65535), help="0 takes any free port.")
@click.option("--proxy", help="Address of the proxy with TLS before it; its X-Forwarded-For, -Host, -Proto count.")
def command(instance: Path | None, host: str, port: int, proxy: str | None) -> None:
    """Serve the web application until it is stopped with Ctrl-C.

    It listens to this machine alone. Another address opens it to the network, as a phone that is used as camera needs
    it, without encryption: put a proxy with TLS before it.
    """
    from waitress import create_server  # noqa: PLC0415 (each command loads what it needs)

    from inspect_app.web import create_app  # noqa: PLC0415 (likewise)

    with opened(instance, may_begin=True) as place, _listening(host, port) as listener:
        trust = {"trusted_proxy": proxy, "trusted_proxy_headers": _FORWARDED} if proxy else {}
        server = create_server(
            create_app({"WORKPLACE": place}),
            sockets=[listener],
            threads=_THREADS,
            max_request_body_size=_LARGEST_REQUEST_BYTES,
            clear_untrusted_proxy_headers=True,
            **trust,
        )
        if not _is_this_machine(host) and proxy is None:
            click.echo(f"Warning: {host} can be reached from the network, and nothing is encrypted.", err=True)
        shown = f"[{host}]" if ":" in host else host
        click.echo(f"Serving on http://{shown}:{listener.getsockname()[1]} (stop with Ctrl-C)")
        signal.signal(signal.SIGTERM, _stop)
        with _worker(place.settings.instance):
            try:
                server.run()
            finally:
                server.close()


@contextmanager
def _worker(instance: Path) -> Iterator[None]:
    """Run a worker beside the server for as long as it serves; rendering must not hold up the pages."""
    arguments = [sys.executable, "-m", "inspect_app", "work", "--instance", str(instance)]
    worker = subprocess.Popen(arguments, stdin=subprocess.DEVNULL)  # noqa: S603 (our own program)
    try:
        yield
    finally:
        worker.terminate()
        try:
            worker.wait(_WORKER_ENDS_WITHIN_S)
        except subprocess.TimeoutExpired:
            worker.kill()
            worker.wait()


@contextmanager
def _listening(host: str, port: int) -> Iterator[socket.socket]:
    # The server leaves its socket open when it cannot listen, so the address is taken here.
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, port))
        except OSError as error:
            raise UnusableInput(
                f"{host}:{port}", f"the server cannot listen there ({error.strerror})", "Use another --host or --port."
            ) from error
        yield listener


def _is_this_machine(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _stop(_signal: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt
