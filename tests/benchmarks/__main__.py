"""`python -m tests.benchmarks [NAME ...]` runs all benchmarks, or those named, and prints what they measured."""

import argparse
import importlib
import pkgutil
import sys
from collections.abc import Sequence

from rich.console import Console
from rich.table import Table

import tests.benchmarks
from tests.benchmarks import Row, scale

__all__ = ["benchmark_names", "main"]


def benchmark_names() -> Sequence[str]:
    """Modules beside this one that have something to run."""
    return sorted(module.name for module in pkgutil.iter_modules(tests.benchmarks.__path__) if module.name[0] != "_")


def main(arguments: Sequence[str]) -> None:
    """Run benchmarks, and print their rows as soon as each is through."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("name", nargs="*", help=f"of {', '.join(benchmark_names())}; all if none is given")
    names = parser.parse_args(arguments).name or benchmark_names()
    unknown = sorted(set(names) - set(benchmark_names()))
    if unknown:
        parser.error(f"{unknown[0]!r} is not one of {', '.join(benchmark_names())}")
    console = Console(width=None if sys.stdout.isatty() else 140)
    console.print(f"scale: {scale()} (HEATLEDGER_BENCH = quick, usual or full)")
    for name in names:
        module = importlib.import_module(f"tests.benchmarks.{name}")
        if hasattr(module, "run"):
            console.print(_table(name, module.run()))


def _table(name: str, rows: Sequence[Row]) -> Table:
    table = Table("what", "value", "unit", "beside", "ratio", title=name, title_justify="left")
    for row in rows:
        table.add_row(row["what"], _number(row["value"]), row["unit"], row["beside"], f"{row['ratio']:.2f}")
    return table


def _number(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"


if __name__ == "__main__":
    main(sys.argv[1:])
