"""The command that opens a lot: what is given, what is proposed, and the asking for what is missing.

As in `cli`, one command is one library call, and only here is asked.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from ..errors import ConfigError

PATH = click.Path(path_type=Path)


@click.command()
@click.argument("folder", type=PATH)
@click.option("--rig", metavar="NAME", help="Rig file: a shipped example, or your own .toml in the folder.")
@click.option("--rules", metavar="NAME", help="Rule profile: a shipped one, or your own .toml in the folder.")
@click.option("--agency", metavar="NAME", help="Naming pattern of the agency, likewise.")
@click.option("--like", type=PATH, metavar="LOT", help="Take over the settings of another lot.")
@click.option("--answers", type=PATH, metavar="FILE", help="A TOML of answers: keys of lot.toml, any number.")
@click.option(
    "--set", "pairs", multiple=True, metavar="KEY=VALUE", help="One answer, like lot.lane=1 (repeat)."
)
@click.option(
    "--accept", is_flag=True, help="Take what is proposed (logs found, usual values) without asking."
)
@click.option("--ask/--no-ask", default=None, help="Ask for what is missing (default: on a terminal).")
@click.option("--overwrite", is_flag=True, help="Replace a lot.toml that is there.")
def new(
    folder: Path, rig: str | None, rules: str | None, agency: str | None, like: Path | None,
    answers: Path | None, pairs: tuple[str, ...], accept: bool, ask: bool | None, overwrite: bool,
) -> None:  # fmt: skip
    """Open a lot: write its lot.toml, asking for what is missing.

    Copy the logs into FOLDER first: they are recognised and proposed.

    \b
    Example, from an empty folder to a result:
      thermosaic new my_lot --rig bar-on-screed --agency county-roads
      thermosaic check my_lot
      thermosaic run my_lot -o my_result
    """
    from .. import new_lots, questions
    from ..opening import load_config

    path = folder / "lot.toml"
    if path.exists() and not overwrite:
        raise ConfigError(f"{path}: is there already: give another folder, or --overwrite to replace it")
    given, pattern = new_lots.first_answers(rig, rules, agency, like, folder)
    if answers is not None:
        given = questions.merged(given, new_lots.read_answers(answers))
    for pair in pairs:
        given = _with_pair(given, pair)
    proposals = new_lots.propose(folder)
    if accept:
        given = _with_proposals(given, pattern, proposals)
    asked = ask or (ask is None and sys.stdin.isatty())
    if asked:
        given = _ask(given, pattern, proposals, folder)
    with _kept_answers(folder, given) if asked else contextlib.nullcontext():
        text = new_lots.new_lot(folder, given, pattern)
    new_lots.write_lot_file(path, text)
    config = load_config(path)
    click.echo(f"{path}: lot {config.lot.id}, rule {config.rules.id}")
    for line in new_lots.describe_mat(config):
        click.echo(line)
    click.echo(f"Next: thermosaic check {folder}")


def _with_pair(answers: dict[str, Any], pair: str) -> dict[str, Any]:
    from .. import questions

    text, equals, value = pair.partition("=")
    key = _key_of(text.strip())
    if not equals:
        raise ConfigError(f'--set "{pair}": write KEY=VALUE, like --set lot.lane=1')
    try:
        return questions.with_answer(
            answers,
            key,
            questions.read_answer(key, value, questions.labels_of(answers), questions.units_of(answers)),
        )
    except KeyError:
        raise ConfigError(
            f"--set {text}: is not a key of lot.toml: `thermosaic config schema` lists them"
        ) from None
    except ValueError as error:
        raise ConfigError(f"--set {text}: {error}") from None


def _key_of(text: str) -> tuple[str | int, ...]:
    parts = text.split(".")
    return (parts[0], 0, *parts[1:]) if parts[0] in ("mark", "pass", "exclude") else tuple(parts)


def _with_proposals(answers: dict[str, Any], pattern: Any, proposals: dict[str, Any]) -> dict[str, Any]:
    from .. import questions

    while True:
        offered = (q for q in questions.open_questions(answers, pattern, proposals) if q.proposal is not None)
        question = next(offered, None)
        if question is None:
            return answers
        answers = questions.with_answer(answers, question.key, question.proposal)


@contextlib.contextmanager
def _kept_answers(folder: Path, answers: dict[str, Any]) -> Iterator[None]:
    """Where answers that a person typed make no lot together, keep them in a file and say so."""
    from .. import new_lots

    try:
        yield
    except ConfigError as error:
        path = folder / "answers.toml"
        new_lots.write_answers(path, answers)
        raise ConfigError(
            f"{error}\nyour answers are kept: mend them in {path}, then thermosaic new {folder} --answers {path}"
        ) from None


def _ask(answers: dict[str, Any], pattern: Any, proposals: dict[str, Any], folder: Path) -> dict[str, Any]:
    """Ask one question after another; an empty answer takes the proposal, or leaves an optional one out."""
    from .. import questions

    passed: set[tuple[str | int, ...]] = set()
    place = ""
    while True:
        waiting = [q for q in questions.open_questions(answers, pattern, proposals) if q.key not in passed]
        if not waiting:
            return answers
        question = waiting[0]
        if question.place != place:
            place = question.place
            click.echo(f"\n== {place} ==", err=True)
            click.echo(f"{questions.PLACES[place]}\n", err=True)
        value = _answer(question, answers, folder)
        passed.add(question.key)
        if value is None:
            proposals = {key: item for key, item in proposals.items() if key != question.key_text}
        else:
            answers = questions.with_answer(answers, question.key, value)


def _answer(question: Any, answers: dict[str, Any], folder: Path) -> Any:
    from .. import new_lots, questions

    reader = questions.labels_of(answers), questions.units_of(answers)

    optional = "" if question.required else "  (optional: - leaves it out)"
    click.echo(f"{question.key_text}: {question.meaning}{optional}", err=True)
    click.echo(f"    {question.expects}", err=True)
    click.echo(f"    why: {question.why}", err=True)
    shown = "" if question.proposal is None else f" [{question.proposal}]"
    while True:
        text = click.prompt(f"  {question.key_text}{shown}", default="", show_default=False, err=True)
        if text.strip() == "-" and not question.required:
            return None
        if not text.strip():
            if question.proposal is not None or not question.required:
                return question.proposal
            click.echo("    an answer is needed here", err=True)
            continue
        try:
            value = questions.read_answer(question.key, text, *reader)
            new_lots.require_known(question.key, value, folder)
            return value
        except ValueError as error:
            click.echo(f"    {error}", err=True)
