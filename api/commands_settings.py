"""`settings`: what the environment sets, and whether it can be used; the first thing an installed base runs."""

import argparse

from rich.table import Table
from sqlalchemy import make_url
from sqlalchemy.exc import ArgumentError

from api.command_line import Commands, add_data_option, settings_of, terminal
from api.settings import VARIABLES, SettingsError

__all__ = ["add_settings_command"]

_SECRETS = ("store_token", "broker_password")


def add_settings_command(commands: Commands) -> None:
    parser = commands.add_parser(
        "settings",
        help="what the environment sets, and whether it can be used",
        description="Lists the settings with the variable of each; secrets are not shown. Says which one cannot be "
        "used, such as a placeholder of .env.example where a secret belongs.",
    )
    add_data_option(parser)
    parser.set_defaults(run=_settings)


def _settings(arguments: argparse.Namespace) -> int:
    settings = settings_of(arguments)
    table = Table()
    table.add_column("Variable")
    table.add_column("Value", overflow="fold")
    for field, variable in VARIABLES.items():
        value = getattr(settings, field)
        table.add_row(variable, _shown(field, "" if value is None else str(value)))
    terminal().print(table)
    return 0


def _shown(field: str, value: str) -> str:
    if field in _SECRETS:
        return "(set)" if value else ""
    if field in ("records_url", "broker_url") and value:
        return _without_password(field, value)
    return value


def _without_password(field: str, url: str) -> str:
    try:
        return make_url(url).render_as_string(hide_password=True)
    except (ArgumentError, ValueError) as error:
        raise SettingsError(f"{VARIABLES[field]} is not an address that can be read") from error
