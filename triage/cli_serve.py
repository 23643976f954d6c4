"""The command that serves the shop page."""

from __future__ import annotations

from typing import Annotated

import typer

from triage.errors import UserError


def serve(
    port: Annotated[int, typer.Option(min=0, max=65535, help="port to listen on; 0 takes a free one")] = 8321,
    share: Annotated[
        bool, typer.Option("--share", help="open it to the shop's network; phones pair with a code")
    ] = False,
) -> None:
    """Serve the shop page: photograph with a phone, read the result, keep it with the machine."""
    try:
        from triage.web.serve import serve as work
    except ImportError as error:
        raise UserError(
            f"The shop page needs {error.name}, which is not installed; install this program anew."
        ) from error
    work(port, share=share, say=typer.echo)
