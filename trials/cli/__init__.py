"""The commands of the lower wing: what goes on before, at and after the bench, up to the results."""

from trials import shell
from trials.cli import afterwards, preparing, recording
from trials.cli.afterwards import close
from trials.cli.preparing import new, sheets
from trials.cli.recording import record

__all__ = ["APPS", "close", "main", "new", "record", "sheets"]

APPS = (preparing.app, recording.app, afterwards.app)


def main() -> None:
    """Run the lower wing alone."""
    app = preparing.app
    app.registered_commands += recording.app.registered_commands + afterwards.app.registered_commands
    shell.run(app)
