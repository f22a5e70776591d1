"""`import`, `export`, `backup`, `restore`."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from underlid.commands.line import (
    DataDir,
    Debug,
    SettingsFile,
    chosen_settings,
    run_loop,
    tried,
)


def import_(
    file: Annotated[Path, typer.Argument(help="CSV, or what export wrote", exists=True, dir_okay=False)],
    settings: SettingsFile = None,
    data_dir: DataDir = None,
    what: Annotated[str | None, typer.Option(help="readings or log; default: by its header")] = None,
    probe: Annotated[str, typer.Option(help="the probe whose readings these are, where none is named")] = "",
    bin_: Annotated[str, typer.Option("--bin", help="the bin of a log that names none")] = "",
    kind: Annotated[
        str, typer.Option(help="what was done, in a log that does not say: fed, wetted, ...")
    ] = "",
    time: Annotated[str, typer.Option(help="the header of the column of times")] = "",
    column: Annotated[
        list[str] | None, typer.Option(help="HEADER=PROBE/CHANNEL UNIT; HEADER=- leaves it out")
    ] = None,
    dates: Annotated[str | None, typer.Option(help="ymd, dmy, mdy or unix")] = None,
    decimal: Annotated[str | None, typer.Option(help="the decimal sign, . or ,")] = None,
    zone: Annotated[str | None, typer.Option(help="of times without an offset; default: the farm's")] = None,
    twice: Annotated[
        str, typer.Option(help="an hour that the clocks pass twice: refuse, earlier or later")
    ] = "refuse",
    dry_run: Annotated[bool, typer.Option("--dry-run", help="only tell what would go in")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="ask nothing")] = False,
    debug: Debug = False,
) -> None:
    """Take in readings or a log from a table, after a dry run; a second time changes nothing."""
    chosen = chosen_settings(settings, debug, data_dir=data_dir)
    from underlid.clock import wall_clock
    from underlid.commands.importing import import_file, told

    def work() -> bool:
        given = told(what, probe, bin_, kind, zone, dates, decimal, twice, time, column or ())
        return import_file(chosen, file, given, wall_clock(), only_try=dry_run, sure=yes)

    raise typer.Exit(0 if tried(work, debug) else 3)


def export(
    what: Annotated[str, typer.Argument(help="readings, log, alarms or all (one ZIP with everything)")],
    to: Annotated[Path | None, typer.Option(help="a file; default: standard output")] = None,
    settings: SettingsFile = None,
    data_dir: DataDir = None,
    format_: Annotated[str, typer.Option("--format", help="csv, parquet or, for readings, senml")] = "csv",
    wide: Annotated[bool, typer.Option("--wide", help="a column for each channel")] = False,
    from_: Annotated[datetime | None, typer.Option("--from", help="by the farm's clocks")] = None,
    until: Annotated[datetime | None, typer.Option("--until", help="by the farm's clocks")] = None,
    probe: Annotated[list[str] | None, typer.Option(help="only of this one; may be given again")] = None,
    debug: Debug = False,
) -> None:
    """Write readings, log or alarms as tables with units in their headers, or everything."""
    chosen = chosen_settings(settings, debug, data_dir=data_dir)
    from underlid.clock import wall_clock
    from underlid.commands.exporting import export as write

    def work() -> bool:
        write(chosen, what, format_, wide, from_, until, probe or (), to, wall_clock())
        return True

    tried(work, debug)


def backup(
    to: Annotated[
        Path | None, typer.Argument(help="a folder; default: backups in the data directory")
    ] = None,
    settings: SettingsFile = None,
    data_dir: DataDir = None,
    every: Annotated[str | None, typer.Option(help="go on, with one every 24h, 30min or 7d")] = None,
    keep: Annotated[
        int | None, typer.Option(min=1, help="take away all but so many; with --every 7 if not given")
    ] = None,
    debug: Debug = False,
) -> None:
    """Back everything up, also while the service runs: both databases as of one moment, and all files."""
    chosen = chosen_settings(settings, debug, data_dir=data_dir)
    from underlid import safekeeping
    from underlid.clock import wall_clock
    from underlid.exchange.backup import make_backup, prune
    from underlid.ground import need_farm

    def once() -> bool:
        from rich.console import Console
        from rich.progress import Progress

        with Progress(console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task("backup", total=None)
            path = make_backup(
                place,
                safekeeping.folder(chosen, to),
                wall_clock(),
                lambda left, of: bar.update(task, completed=of - left, total=of),
            )
        if keep is not None:
            prune(path.parent, keep, wall_clock())
        typer.echo(path)
        return True

    place = tried(lambda: safekeeping.where(chosen), debug)
    tried(lambda: need_farm(chosen), debug)
    if every is None:
        tried(once, debug)
        return
    turns = tried(
        lambda: safekeeping.rotation(chosen, wall_clock, safekeeping.hours(every), keep or 7, to), debug
    )
    run_loop(turns.run, debug)


def restore(
    backup: Annotated[Path, typer.Argument(help="a backup, or a folder of them: then the newest")],
    settings: SettingsFile = None,
    data_dir: DataDir = None,
    replace: Annotated[bool, typer.Option("--replace", help="move what is there aside")] = False,
    debug: Debug = False,
) -> None:
    """Verify a backup, and put it into an empty data directory."""
    chosen = chosen_settings(settings, debug, data_dir=data_dir)
    from underlid.safekeeping import restore_to

    def work() -> bool:
        for line in restore_to(chosen, backup, replace=replace):
            typer.echo(line)
        return True

    tried(work, debug)
