"""The command itself: from the words typed to what is printed."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence

from monitor.calc.answer import answer_rows, as_data, as_text, explain, in_unit, listing, listing_data
from monitor.calc.request import CalcError, call, find, read_inputs


def main(argv: Sequence[str]) -> int:
    """Run the command; 0 when it answered, 2 when the request was wrong."""
    words, as_json = list(argv), "--json" in argv
    words = [word for word in words if word != "--json"]
    try:
        if not words or words[0] == "list":
            made = listing_data(words[1:])
            _print(json.dumps(made, ensure_ascii=False, indent=1) if as_json else listing(words[1:]))
        elif words[0] in ("-h", "--help"):
            _print(_usage())
        elif {"-h", "--help"} & set(words[1:]):
            _print(explain(find(words[0])))
        else:
            _print(_answer(words, as_json))
    except (CalcError, ValueError) as error:
        sys.stderr.write(f"goodwater calc: {error}\n")
        return 2
    return 0


def _answer(words: list[str], as_json: bool) -> str:
    """Read the request, compute, and lay out the answer."""
    quantity = find(words[0])
    words, wanted = _taken_out(words[1:], "--in")
    given, currency = read_inputs(quantity, words)
    rows = answer_rows(quantity, call(quantity, given))
    made = as_data(quantity, given, in_unit(rows, wanted) if wanted else rows, currency)
    return json.dumps(made, ensure_ascii=False, indent=1) if as_json else as_text(made)


def _taken_out(words: list[str], option: str) -> tuple[list[str], str]:
    """The words without an option and its one value."""
    if option not in words:
        return words, ""
    place = words.index(option)
    if place + 1 == len(words):
        raise CalcError(f"{option} wants a unit, for example {option} gal")
    return words[:place] + words[place + 2 :], words[place + 1]


def _print(text: str) -> None:
    sys.stdout.write(text + "\n")


def _usage() -> str:
    """How to call it; argparse lays out the text, the inputs are read by `read_inputs`."""
    parser = argparse.ArgumentParser(
        prog="goodwater calc",
        description="Compute a quantity of water treatment or statistics by hand.",
        epilog="Without NAME, or with `list WORD`: the quantities, or those that a word fits. "
        "NAME --help: equation, range, source, example.",
    )
    parser.add_argument("name", metavar="NAME", nargs="?", help="quantity, as listed")
    parser.add_argument("inputs", metavar="input=VALUE UNIT", nargs="*", help="in any unit of its dimension")
    parser.add_argument("--in", metavar="UNIT", help="unit of the answer")
    parser.add_argument("--json", action="store_true", help="answer for machines")
    return parser.format_help().rstrip()
