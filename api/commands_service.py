"""`demo` and `serve`, and the parts of an installed base as processes of their own: `ingest`, `watch`, `web`."""

import argparse
import logging
import sys
from collections.abc import Callable
from pathlib import Path

from api.command_line import (
    CommandError,
    Commands,
    add_data_option,
    now_ms,
    progress_bar,
    refuse_file,
    say,
    settings_of,
)
from api.settings import DEFAULT_PORT, Settings

__all__ = ["add_service_commands"]

_LOG_FORMAT = "%(asctime)s %(levelname)s %(name)s: %(message)s"
_N_HOUSES, _N_DAYS = 8, 60


def add_service_commands(commands: Commands) -> None:
    _add_demo(commands)
    _add_serve(commands)
    _add_part(
        commands,
        "ingest",
        _ingest,
        help="take readings from a broker (for an installed base)",
        description="Takes readings from a broker into the store, until stopped. For an installed base, where readings "
        "and records are kept by servers; any number of them share the work with --group.",
    )
    _add_part(
        commands,
        "watch",
        _watch,
        help="compute what has news (for an installed base)",
        description="Computes ledgers and alerts of sites that have news, until stopped. For an installed base; any "
        "number of them share the sites by leases in the records.",
    )
    _add_part(
        commands,
        "web",
        _web,
        help="serve the pages (for an installed base)",
        description="Serves the pages, their JSON, and the HTTP intake, until stopped. For an installed base.",
    )


def _add_demo(commands: Commands) -> None:
    parser = commands.add_parser(
        "demo",
        help="a small fleet of invented houses, alive, with its pages",
        description="Broker, ingester, analysis and web pages in one process, with a small fleet of invented houses "
        "that has history and goes on living. Prints the address of the pages; Ctrl-C ends it. The houses, their "
        "people and their faults are invented. What was made is used again for two days.",
    )
    parser.add_argument("--port", type=int, help=f"of the pages (default: {DEFAULT_PORT}; 0 takes any free one)")
    parser.add_argument("--days", type=int, default=_N_DAYS, help="whole days of history (default: %(default)s)")
    parser.add_argument("--houses", type=int, default=_N_HOUSES, help="how many (1 to %(default)s; default: all)")
    parser.add_argument("--speed", type=float, default=1.0, help="how much faster than the clock they live on")
    parser.add_argument("--no-live", action="store_true", help="history only: the houses do not live on")
    parser.add_argument(
        "--data", metavar="DIR", type=Path, default=Path(".heatledger-demo"), help="folder (default: %(default)s)"
    )
    parser.set_defaults(run=_demo)


def _demo(arguments: argparse.Namespace) -> int:
    from api.demo import run_demo
    from api.demo_plan import DemoPlan

    if not 1 <= arguments.houses <= _N_HOUSES:
        raise CommandError(f"--houses must be 1 to {_N_HOUSES}; it is {arguments.houses}")
    if not 1 <= arguments.days <= 400:
        raise CommandError(f"--days must be 1 to 400; it is {arguments.days}")
    if not 0 < arguments.speed <= 3600:
        raise CommandError(f"--speed must be above 0 and at most 3600; it is {arguments.speed:g}")
    refuse_file(arguments.data)
    # A demonstration is on embedded parts, whatever the environment says of an installed base.
    settings = Settings(data=arguments.data, port=DEFAULT_PORT if arguments.port is None else arguments.port)
    _log_to_folder(settings)
    plan = DemoPlan(arguments.houses, arguments.days)
    run_demo(settings, plan, speed=0.0 if arguments.no_live else arguments.speed, say=say, bar=progress_bar)
    return 0


def _add_serve(commands: Commands) -> None:
    parser = commands.add_parser(
        "serve",
        help="broker, ingester, analysis and web pages in one process",
        description="Broker, ingester, analysis and web pages in one process, on one data folder. Ctrl-C ends it. It "
        "binds to loopback unless told otherwise: there is no sign-in yet.",
    )
    add_data_option(parser)
    _add_web_options(parser)
    _add_broker_option(parser, "use this broker (mqtt://HOST[:PORT]) instead of the embedded one")
    parser.set_defaults(run=_serve)


def _add_web_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--host", help="address of the pages (default: 127.0.0.1)")
    parser.add_argument("--port", type=int, help=f"of the pages (default: {DEFAULT_PORT}; 0 takes any free one)")


def _add_broker_option(parser: argparse.ArgumentParser, help: str) -> None:
    parser.add_argument("--broker", dest="broker_url", metavar="URL", help=help)


def _serve(arguments: argparse.Namespace) -> int:
    from api.service import run_service
    from api.settings import require_data

    settings = settings_of(arguments, host=arguments.host, port=arguments.port, broker_url=arguments.broker_url)
    require_data(settings).mkdir(parents=True, exist_ok=True)
    _log_to_folder(settings)
    run_service(settings, clock=now_ms, say=say)
    return 0


def _add_part(
    commands: Commands, name: str, run: Callable[[argparse.Namespace], int], *, help: str, description: str
) -> None:
    parser = commands.add_parser(name, help=help, description=description)
    add_data_option(parser)
    if name == "web":
        _add_web_options(parser)
    if name == "ingest":
        _add_broker_option(parser, "the broker: mqtt://HOST[:PORT]")
        parser.add_argument("--group", dest="shared_group", help="share the messages with the ingesters of this group")
        parser.add_argument("--client-id", help="name at the broker: fixed, and another one for each process")
    parser.set_defaults(run=run)


def _ingest(arguments: argparse.Namespace) -> int:
    from api.service import run_ingest

    _log_to_stderr()
    run_ingest(
        settings_of(
            arguments,
            broker_url=arguments.broker_url,
            shared_group=arguments.shared_group,
            client_id=arguments.client_id,
        ),
        clock=now_ms,
    )
    return 0


def _watch(arguments: argparse.Namespace) -> int:
    from api.service import run_watch

    _log_to_stderr()
    run_watch(settings_of(arguments), clock=now_ms)
    return 0


def _web(arguments: argparse.Namespace) -> int:
    from api.service import run_web

    _log_to_stderr()
    settings = settings_of(arguments, host=arguments.host, port=arguments.port)
    run_web(settings, clock=now_ms, say=say)
    return 0


def _log_to_folder(settings: Settings) -> None:
    """Warnings go to the data folder's log: the terminal is for what the user has to know."""
    if settings.data is not None:
        settings.data.mkdir(parents=True, exist_ok=True)
        logging.basicConfig(filename=settings.data / "heatledger.log", level=logging.WARNING, format=_LOG_FORMAT)


def _log_to_stderr() -> None:
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format=_LOG_FORMAT)
