"""What the commands share: their common options, and failures told in one line."""

import asyncio
import sys
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Annotated, TypeVar

import typer

from underlid.commands.logs import set_up_log
from underlid.settings import BadSettingsError, Settings, load_settings

Outcome = TypeVar("Outcome")
SettingsFile = Annotated[Path | None, typer.Option("--settings", help="TOML file with settings")]
Debug = Annotated[bool, typer.Option("--debug", help="show tracebacks and everything in the log")]
DataDir = Annotated[Path | None, typer.Option(help="where the databases live")]


def chosen_settings(file: Path | None, debug: bool, **options: object) -> Settings:
    try:
        chosen = load_settings(file, **options)
    except BadSettingsError as error:
        raise failure(error, debug) from error
    set_up_log("debug" if debug else chosen.log_level)
    return chosen


def run_loop(work: Callable[[], Coroutine[None, None, None]], debug: bool) -> None:
    """Do the work of a command; what goes wrong becomes one line."""
    from underlid.ground import StartError

    try:
        with asyncio.Runner(loop_factory=_loop_factory()) as runner:
            runner.run(work())
    except KeyboardInterrupt:
        raise typer.Exit(130) from None
    except StartError as error:
        raise failure(error, debug) from error
    except (Exception, BaseExceptionGroup) as fault:
        if debug:
            raise
        first: BaseException = fault
        while isinstance(first, BaseExceptionGroup):
            first = first.exceptions[0]
        if isinstance(first, StartError):
            raise failure(first, debug) from first
        line = f"stopped by an unexpected fault, {type(first).__name__}: {first} (--debug shows where)"
        raise failure(RuntimeError(line), debug) from fault


def tell(work: Callable[[], list[str]], debug: bool, changed: Settings | None = None) -> None:
    """Say what work gives; `changed`: of the farm that it changed, also which that was."""
    from underlid.ground import StartError
    from underlid.store.readings import StoreError

    try:
        lines = work()
    except (OSError, StartError, StoreError, ValueError) as error:
        raise failure(error, debug) from error
    for line in lines:
        typer.echo(line)
    if changed is not None:
        typer.echo(which_farm(changed), err=True)


def which_farm(settings: Settings) -> str:
    """A command that was meant for another folder is seen by this line."""
    return f"The farm is that in {settings.data_dir.absolute()}."


def tried(work: Callable[[], Outcome], debug: bool) -> Outcome:
    """The outcome of work on the stores; what goes wrong becomes one line."""
    from underlid.exchange.parquet_out import NoParquetError
    from underlid.exchange.restore import BadBackupError
    from underlid.ground import StartError
    from underlid.store.readings import StoreError

    try:
        return work()
    except (OSError, StartError, StoreError, ValueError, NoParquetError, BadBackupError) as error:
        raise failure(error, debug) from error
    except (KeyboardInterrupt, EOFError):
        raise typer.Exit(130) from None


def failure(error: Exception, debug: bool) -> typer.Exit:
    if debug:
        raise error
    typer.secho(f"underlid: {error}", err=True, fg="red", bold=True)
    return typer.Exit(1)


def _loop_factory() -> Callable[[], asyncio.AbstractEventLoop] | None:
    if sys.platform == "win32":
        return None
    import uvloop

    return uvloop.new_event_loop
