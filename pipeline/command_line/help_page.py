"""How the help of a command reads: what must be given comes first, names stand as they are typed, sentences whole."""

from __future__ import annotations

from typing import Any

from typer.core import TyperCommand


class CommandWithHelp(TyperCommand):
    """A command whose help knows nothing of Python's kinds."""

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Arguments, then the options that must be given."""
        return [*(_typed(p) for p in self.get_params(ctx) if p.required), "[OPTIONS]"]

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Arguments and options, a paragraph each."""
        given: dict[str, list[tuple[str, str]]] = {"Arguments": [], "Options": []}
        parameters: list[Any] = self.get_params(ctx)
        for p in parameters:
            given["Arguments" if p.param_type_name == "argument" else "Options"].append((_typed(p), p.help))
        for title, paragraphs in given.items():
            if paragraphs:
                with formatter.section(title):
                    formatter.write_dl(paragraphs)

    def get_short_help_str(self, limit: int = 0) -> str:
        """The first paragraph, whole."""
        return " ".join((self.help or "").partition("\n\n")[0].split())


def _typed(p: Any) -> str:
    """An argument or option as the user types it."""
    if p.param_type_name == "argument":
        return f"{p.metavar}..." if p.nargs != 1 else str(p.metavar)
    return p.opts[0] if p.is_flag else f"{p.opts[0]} {p.metavar}"
