"""`replay` and `report`: what was, and what would have been."""

from pathlib import Path
from typing import Annotated

import typer

from underlid.commands.line import (
    DataDir,
    Debug,
    SettingsFile,
    chosen_settings,
    tell,
    tried,
)


def replay(
    from_: Annotated[str, typer.Option("--from", help="a day, a time, or how long ago: 14d, 36h")],
    to: Annotated[str, typer.Option(help="likewise")] = "now",
    bin_: Annotated[
        list[str] | None, typer.Option("--bin", help="a bin's id or name; can be repeated")
    ] = None,
    set_: Annotated[
        list[str] | None,
        typer.Option(
            "--set", help="[rule.]limit=value, of the bins named, else of the whole farm; can be repeated"
        ),
    ] = None,
    limits: Annotated[
        Path | None,
        typer.Option(help="TOML: limits of the farm, and tables [place.ID], [bin.ID], [feed-store.ID]"),
    ] = None,
    settings: SettingsFile = None,
    data_dir: DataDir = None,
    debug: Debug = False,
) -> None:
    """List the alarms that would have been in a past period, beside those that were. Changes nothing."""
    chosen = chosen_settings(settings, debug, data_dir=data_dir)
    from underlid.commands.replaying import replay_lines

    tell(lambda: replay_lines(chosen, from_, to, bin_ or [], set_ or [], limits), debug)


def report(
    week: Annotated[
        str | None, typer.Argument(help="as in 2026-W47, or today; default: the last whole week")
    ] = None,
    settings: SettingsFile = None,
    data_dir: DataDir = None,
    bin_: Annotated[str | None, typer.Option("--bin", help="only on this bin, by its id")] = None,
    format_: Annotated[str, typer.Option("--format", help="text, html, csv, json or pdf")] = "text",
    keep: Annotated[bool, typer.Option("--keep", help="compute it anew and keep it")] = False,
    to: Annotated[Path | None, typer.Option(help="a file; default: standard output")] = None,
    debug: Debug = False,
) -> None:
    """Tell how a week went, or what today asks for."""
    chosen = chosen_settings(settings, debug, data_dir=data_dir)
    from underlid.clock import wall_clock
    from underlid.commands.reporting import report as write
    from underlid.reports.desk import NoReportError
    from underlid.reports.pdf import NoPdfError

    def work() -> bool:
        try:
            write(chosen, week, bin_, format_, keep, to, wall_clock())
        except (NoReportError, NoPdfError) as error:
            raise ValueError(str(error)) from error
        return True

    tried(work, debug)
