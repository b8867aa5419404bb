"""``feedsim desk``."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

from feedsim.cli.options import argument, tell


def desk(
    scenarios: Annotated[
        list[Path],
        argument(
            "SCENARIO [SCENARIO]",
            "The scenario, a TOML file; with two, the first is A and you change the second.",
        ),
    ],
    port: Annotated[
        int,
        typer.Option(
            "--port", metavar="N", help="Port on 127.0.0.1; 0 is a free one.", min=0, max=65535
        ),
    ] = 0,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address; open no browser.")
    ] = False,
) -> int:
    """Open a page where you change any value of a scenario and see the effect at once.

    It is served on this machine only, until Ctrl-C. The scenario's file does not change until a
    save overwrites it.
    """
    from feedsim.desk.lines import opened
    from feedsim.desk.server import serve
    from feedsim.errors import Fault, FeedsimError

    if len(scenarios) > 2:
        raise FeedsimError(Fault("SCENARIO", message="the desk takes one scenario or two"))
    files = [opened(path) for path in scenarios]

    def ready(address: str, once: str) -> None:
        typer.echo(f"The desk is open at {address}\nCtrl-C closes it.")
        if not no_browser:
            _show(once)

    try:
        with suppress(KeyboardInterrupt):
            serve(files, port=port, ready=ready)
    except OSError as error:
        why = error.strerror or str(error)
        raise FeedsimError(Fault("--port", message=f"cannot use port {port}: {why}")) from None
    tell("the desk is closed")
    return 0


def _show(address: str) -> None:
    """Open the user's browser, if there is one."""
    import webbrowser

    try:
        opened = webbrowser.open(address)
    except webbrowser.Error:
        opened = False
    if not opened:
        tell("no browser could be opened: open the address above")
