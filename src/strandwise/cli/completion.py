"""`strandwise completion`: the script by which a shell completes commands and names."""

from __future__ import annotations

import click

from strandwise.cli.common import examples

__all__ = ["command"]


@click.command("completion", epilog=examples("strandwise completion bash"))
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def command(shell: str) -> None:
    """Print the script that lets SHELL complete commands, options and names of records.

    For bash, put `eval "$(strandwise completion bash)"` into ~/.bashrc; for zsh, the same with
    zsh into ~/.zshrc; for fish, save the script as ~/.config/fish/completions/strandwise.fish.
    """
    from click.shell_completion import get_completion_class

    from strandwise.cli.completing import VARIABLE
    from strandwise.cli.program import program

    found = get_completion_class(shell)
    assert found is not None
    click.echo(found(program, {}, "strandwise", VARIABLE).source(), nl=False)
