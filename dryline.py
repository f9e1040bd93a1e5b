"""The command line: one short function a command; each imports its room when called."""

import typer

app = typer.Typer(add_completion=False, rich_markup_mode=None, no_args_is_help=True)


def main() -> None:
    """Run the command line."""
    app()
