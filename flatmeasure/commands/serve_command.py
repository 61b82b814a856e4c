"""``flatmeasure serve``: the measuring service and its page."""

import errno
import ipaddress
import os
import socket
import sys
from pathlib import Path
from typing import Annotated

import typer

from flatmeasure.errors import FlatMeasureError, OptionInvalid

TOKEN_VARIABLE, DATABASE_VARIABLE = "FLATMEASURE_TOKEN", "FLATMEASURE_DATABASE"


def serve(
    host: Annotated[
        str, typer.Option(help="Address to listen at; other than this computer's needs a token.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port to listen at.")] = 8765,
    folder: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Where photos and measurements are kept.", show_default=False)
    ] = None,
    workers: Annotated[
        int | None, typer.Option(min=1, max=64, help="Processes that measure.", show_default=False)
    ] = None,
) -> None:
    """Run the measuring service and its page, until Ctrl-C.

    FLATMEASURE_TOKEN is the token that requests must carry, FLATMEASURE_DATABASE the URL of a PostgreSQL database.
    """
    token = os.environ.get(TOKEN_VARIABLE) or None
    local = is_loopback(host)
    if not local and token is None:
        raise OptionInvalid(f"To be reached from other computers the service needs a token: set {TOKEN_VARIABLE}.")
    try:
        import uvicorn

        from service.app import create_app
        from service.settings import LOOPBACK_NAMES, Settings
    except ImportError as error:
        raise OptionInvalid("The service is not installed: install flatmeasure[service].") from error
    import platformdirs

    settings = Settings(
        folder=(folder or Path(platformdirs.user_data_dir("flatmeasure")) / "service").resolve(),
        database_url=os.environ.get(DATABASE_VARIABLE) or None,
        token=token,
        host_names=LOOPBACK_NAMES if local else (),
        **({"workers": workers} if workers else {}),
    )
    shown = f"[{host}]" if ":" in host else host
    with _listening(host, port) as listening:
        config = uvicorn.Config(
            create_app(settings),
            log_level="warning",
            server_header=False,
            timeout_graceful_shutdown=int(settings.shutdown_s),
        )
        typer.echo(f"flatmeasure listens at http://{shown}:{port}/ and keeps its files in {settings.folder}")
        uvicorn.Server(config).run(sockets=[listening])


def _listening(host: str, port: int) -> socket.socket:
    """A socket that is the service's own before anything is said or opened."""
    listening = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    try:
        if sys.platform != "win32":
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
        listening.listen()  # two that are bound would not notice each other yet
    except OSError as error:
        listening.close()
        why = "something listens there already" if error.errno == errno.EADDRINUSE else error.strerror or str(error)
        raise FlatMeasureError(
            f"The service can't listen at port {port} of {host}: {why}. Give another with --port."
        ) from error
    return listening


def is_loopback(host: str) -> bool:
    """Whether an address is reached from this computer only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
