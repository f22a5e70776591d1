"""`underlid user` and `underlid token`: who may sign in, and programs that may ask."""

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from underlid.access.roles import Role
from underlid.commands.line import (
    DataDir,
    Debug,
    SettingsFile,
    chosen_settings,
    tell,
)
from underlid.settings import Settings

user_app = typer.Typer(help="People who may sign in: viewer, keeper, owner.", no_args_is_help=True)
token_app = typer.Typer(help="Tokens for programs that use the API.", no_args_is_help=True)
RoleOption = Annotated[Role, typer.Option("--role", help="what they may do")]
UserName = Annotated[str, typer.Argument(help="the account's name")]


@user_app.command("invite")
def user_invite(
    role: RoleOption = Role.KEEPER,
    settings: SettingsFile = None,
    data_dir: DataDir = None,
    debug: Debug = False,
) -> None:
    """Print a link by which somebody makes an account, once, within a day."""
    from underlid.commands import people

    _people(settings, data_dir, debug, lambda chosen, now_ms: people.invite(chosen, role, None, now_ms))


@user_app.command("reset")
def user_reset(
    name: UserName, settings: SettingsFile = None, data_dir: DataDir = None, debug: Debug = False
) -> None:
    """Print a link by which somebody sets a new password, once, within a day."""
    from underlid.commands import people

    _people(
        settings, data_dir, debug, lambda chosen, now_ms: people.invite(chosen, Role.VIEWER, name, now_ms)
    )


@user_app.command("role")
def user_role(
    name: UserName,
    role: Annotated[Role, typer.Argument(help="what they may do")],
    settings: SettingsFile = None,
    data_dir: DataDir = None,
    debug: Debug = False,
) -> None:
    """Give somebody another role."""
    from underlid.commands import people

    _people(settings, data_dir, debug, lambda chosen, now_ms: people.change_role(chosen, name, role, now_ms))


@user_app.command("sign-out")
def user_sign_out(
    name: UserName, settings: SettingsFile = None, data_dir: DataDir = None, debug: Debug = False
) -> None:
    """Sign somebody out everywhere."""
    from underlid.commands import people

    _people(settings, data_dir, debug, lambda chosen, now_ms: people.sign_out(chosen, name, now_ms))


@user_app.command("remove")
def user_remove(
    name: UserName, settings: SettingsFile = None, data_dir: DataDir = None, debug: Debug = False
) -> None:
    """Let somebody in no longer."""
    from underlid.commands import people

    _people(settings, data_dir, debug, lambda chosen, now_ms: people.remove(chosen, name, now_ms))


@user_app.command("list")
def user_list(settings: SettingsFile = None, data_dir: DataDir = None, debug: Debug = False) -> None:
    """Show who has an account."""
    from underlid.commands import people

    _people(settings, data_dir, debug, people.listed, False)


@token_app.command("add")
def token_add(
    name: Annotated[str, typer.Argument(help="what it is for, for example 'shed display'")],
    role: RoleOption = Role.VIEWER,
    days: Annotated[float, typer.Option(min=0.01, max=3660, help="how long it is good")] = 90,
    settings: SettingsFile = None,
    data_dir: DataDir = None,
    debug: Debug = False,
) -> None:
    """Make a token and print it, once."""
    from underlid.commands import people

    _people(
        settings, data_dir, debug, lambda chosen, now_ms: people.make_token(chosen, name, role, days, now_ms)
    )


@token_app.command("remove")
def token_remove(
    name: Annotated[str, typer.Argument(help="the token's name")],
    settings: SettingsFile = None,
    data_dir: DataDir = None,
    debug: Debug = False,
) -> None:
    """Make a token good no longer."""
    from underlid.commands import people

    _people(settings, data_dir, debug, lambda chosen, now_ms: people.remove_token(chosen, name, now_ms))


@token_app.command("list")
def token_list(settings: SettingsFile = None, data_dir: DataDir = None, debug: Debug = False) -> None:
    """Show which tokens there are."""
    from underlid.commands import people

    none = ["there is no token; make one with: underlid token add NAME"]
    _people(
        settings, data_dir, debug, lambda chosen, now_ms: people.listed_tokens(chosen, now_ms) or none, False
    )


def _people(
    file: Path | None,
    data_dir: Path | None,
    debug: bool,
    work: Callable[[Settings, int], list[str]],
    changes: bool = True,
) -> None:
    from underlid.clock import wall_clock

    chosen = chosen_settings(file, debug, data_dir=data_dir)
    tell(lambda: work(chosen, wall_clock()), debug, chosen if changes else None)
