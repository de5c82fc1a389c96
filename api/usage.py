"""Wrong usage as one sentence: what was wrong, and what would be right."""

import argparse
import re
from collections.abc import Sequence
from difflib import get_close_matches
from typing import Any, NoReturn

__all__ = ["OneSentenceParser", "UsageError"]

_KINDS = {"int": "a whole number", "float": "a number"}


class UsageError(ValueError):
    """The command line cannot be read; the message is the sentence that the user gets."""


class OneSentenceParser(argparse.ArgumentParser):
    """Raises `UsageError` where argparse would print the usage and end the program; so do its commands' parsers."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(_sentence(message, self.prog, usage=self.format_usage()))

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As the base class; what is left over is the command's own mistake, told with the options that it has."""
        found, left = super().parse_known_args(args, namespace)
        if left:
            raise UsageError(_left_over(left, self.prog, usage=self.format_usage()))
        return found, left


def _sentence(message: str, program: str, *, usage: str) -> str:
    required = re.fullmatch(r"the following arguments are required: (.+)", message)
    if required:
        return _missing(required[1], program, usage=usage)
    ambiguous = re.fullmatch(r"ambiguous option: (\S+) could match (.+)", message)
    if ambiguous:
        return f"{ambiguous[1]} may be {' or '.join(ambiguous[2].split(', '))}"
    about = re.fullmatch(r"argument ([^:]+): (.+)", message, re.DOTALL)
    return _of_argument(about[1], about[2], program) if about else message


def _missing(names: str, program: str, *, usage: str) -> str:
    if names == "COMMAND":
        return f"say which command; `{program} --help` lists them"
    wanted = names.split(", ")
    said = f"{', '.join(wanted[:-1])} and {wanted[-1]} are" if len(wanted) > 1 else f"{wanted[0]} is"
    whole = " ".join(re.sub(r"^usage: |\[[^\]]*\]", "", usage).split())
    return f"{said} missing: write `{whole}`; `{program} --help` explains each"


def _of_argument(name: str, rest: str, program: str) -> str:
    choice = re.fullmatch(r"invalid choice: (.+?) \(choose from (.+)\)", rest, re.DOTALL)
    if choice:
        return _no_choice(name, choice[1].strip("'\""), re.split(r", ", choice[2].replace("'", "")), program)
    kind = re.fullmatch(r"invalid (\w+) value: (.+)", rest)
    if kind:
        return f"{name} must be {_KINDS.get(kind[1], kind[1])}; it is {kind[2]}"
    if rest.startswith("expected"):
        return f"{name} needs a value after it; `{program} --help` says which"
    if rest.startswith("ignored explicit argument"):
        return f"{name} takes no value"
    return f"{name}: {rest}"


def _no_choice(name: str, value: str, choices: Sequence[str], program: str) -> str:
    near = get_close_matches(value, choices, n=1, cutoff=0.7)
    meant = f"; did you mean {near[0]!r}?" if near else ""
    if name == "COMMAND":
        return f"there is no command {value!r}{meant or f'; `{program} --help` lists them'}"
    return f"{name} cannot be {value!r}{meant or '; it may be ' + ', '.join(choices)}"


def _left_over(left: Sequence[str], program: str, *, usage: str) -> str:
    options = [each for each in left if each.startswith("-")]
    if not options:
        return f"{left[0]!r} is more than `{program}` takes; `{program} --help` shows what it does take"
    typed = options[0].partition("=")[0]
    near = get_close_matches(typed, ["--help", *re.findall(r"--[a-z][a-z-]*", usage)], n=1)
    meant = f"did you mean {near[0]}?" if near else f"`{program} --help` lists its options"
    return f"`{program}` has no option {typed}; {meant}"
