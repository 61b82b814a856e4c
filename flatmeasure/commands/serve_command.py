"""``flatmeasure serve``: the measuring service and its page."""

import ipaddress
import os
from pathlib import Path
from typing import Annotated

import typer

from flatmeasure.errors import OptionInvalid

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
    typer.echo(f"flatmeasure listens at http://{shown}:{port}/ and keeps its files in {settings.folder}")
    uvicorn.run(
        create_app(settings),
        host=host,
        port=port,
        log_level="warning",
        server_header=False,
        timeout_graceful_shutdown=int(settings.shutdown_s),
    )


def is_loopback(host: str) -> bool:
    """Whether an address is reached from this computer only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
