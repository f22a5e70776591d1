"""`underlid probe`: passwords of probes."""

from pathlib import Path
from typing import Annotated

import typer

from underlid.commands.line import (
    DataDir,
    Debug,
    SettingsFile,
    chosen_settings,
    tell,
)

probe_app = typer.Typer(
    help="Let probes in at the broker, each by a password of its own.", no_args_is_help=True
)
MosquittoDir = Annotated[
    Path | None, typer.Option("--mosquitto", help="folder for Mosquitto's files; default: as before")
]
Host = Annotated[str | None, typer.Option(help="name or address by which probes reach the broker")]


@probe_app.command("add")
def probe_add(
    name: Annotated[str, typer.Argument(help="the probe's id, for example alder-1")],
    settings: SettingsFile = None,
    data_dir: DataDir = None,
    host: Host = None,
    mosquitto: MosquittoDir = None,
    renew: Annotated[bool, typer.Option("--renew", help="a new password in place of the old")] = False,
    debug: Debug = False,
) -> None:
    """Make a probe's password and print, once, what to put into the probe."""
    from underlid.clock import wall_clock
    from underlid.commands.admission import add

    chosen = chosen_settings(settings, debug, data_dir=data_dir)
    tell(lambda: add(chosen, name, host, mosquitto, renew, wall_clock()), debug, chosen)


@probe_app.command("remove")
def probe_remove(
    name: Annotated[str, typer.Argument(help="the probe's id")],
    settings: SettingsFile = None,
    data_dir: DataDir = None,
    mosquitto: MosquittoDir = None,
    debug: Debug = False,
) -> None:
    """Let a probe in no longer."""
    from underlid.commands.admission import remove

    chosen = chosen_settings(settings, debug, data_dir=data_dir)
    tell(lambda: remove(chosen, name, mosquitto), debug, chosen)


@probe_app.command("list")
def probe_list(settings: SettingsFile = None, data_dir: DataDir = None, debug: Debug = False) -> None:
    """Show which probes have a password."""
    from underlid.commands.admission import listed

    chosen = chosen_settings(settings, debug, data_dir=data_dir)
    tell(lambda: listed(chosen) or ["no probe has a password; give one with: underlid probe add NAME"], debug)


@probe_app.command("certify")
def probe_certify(
    mosquitto: Annotated[Path, typer.Argument(metavar="DIR", help="folder of Mosquitto's files")],
    host: Host = None,
    debug: Debug = False,
) -> None:
    """Make the certificate of Mosquitto anew; probes need no change."""
    from underlid.clock import wall_clock
    from underlid.commands.admission import certify

    tell(lambda: certify(mosquitto, host, wall_clock()), debug)
