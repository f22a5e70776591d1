"""The command line. Each failure is one line and a non-zero exit; a traceback only with --debug."""

import io
import sys

import typer

import underlid
from underlid.commands.accounts import token_app, user_app
from underlid.commands.data import backup, export, import_, restore
from underlid.commands.past import replay, report
from underlid.commands.probes import probe_app
from underlid.commands.serving import check, demo, notify_test, probe_sim, serve

app = typer.Typer(
    help="Watches worm-composting bins from under the lid.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


app.command()(serve)
app.command()(demo)
app.command()(check)
app.command("probe-sim")(probe_sim)
app.add_typer(probe_app, name="probe")
app.add_typer(user_app, name="user")
app.add_typer(token_app, name="token")
app.command("notify-test")(notify_test)
app.command("import")(import_)
app.command()(export)
app.command()(backup)
app.command()(restore)
app.command()(replay)
app.command()(report)


@app.command()
def version() -> None:
    """Print the version."""
    print(underlid.__version__)


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that knows no degree sign
    app()
