"""Asks for a rig, question by question, until the answers stand together; the talk of `auditor rig new`.

An empty answer means "don't know": the key is left out, and a value is assumed, but for a few that are needed. Each
answer is checked as the rig file will be, with those before it, so that nothing wrong gets into the file.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from auditor import protection
from auditor.errors import Fault
from auditor.rig_faults import model_of, value_fault
from auditor.rig_questions import QUESTIONS, TITLES, WAYS_ASKED, Question
from auditor.rig_resolve import resolve_rig
from auditor.rig_typed import answered, hint_at_prompt
from auditor.rig_value_faults import kinds, unit_of, words_of
from auditor.rig_where_found import WHERE_FOUND

Document = dict[str, dict[str, Any]]
Ask = Callable[[str], str]
Say = Callable[[str], None]

# What is wrong with these, or with one of them beside earlier answers, no later answer can put right.
_LEAN_ON_EARLIER = (
    "crossover.order",
    "protection.part",
    "driver.program_power_w",
    "driver.peak_power_w",
    "driver.dc_resistance_ohm",
)


def interview(ask: Ask, say: Say, *, width: int) -> Document:
    """Ask for everything; the document of a rig file without faults.

    Parameters
    ----------
    ask : callable
        Shows a prompt and returns what was typed.
    say : callable
        Shows a line.
    width : int
        Columns of the screen.
    """
    answers: dict[str, Any] = {}
    talk = _Talk(ask, say, width)
    talk.tell("Enter alone means: don't know. Something usual is then assumed, and every report says so.")
    talk.tell("A few values are needed: there Enter tells where to find them. Ctrl-C leaves, and writes nothing.")
    answers["level"] = talk.way()
    talk.go_through(QUESTIONS, answers)
    while True:
        document = document_of(answers)
        _, faults = resolve_rig(document, path="the answers")
        if not faults:
            return document
        say("")
        talk.tell("This is not right yet, and is asked again:")
        for fault in faults:
            talk.tell(f"! {fault}")
        again = _to_ask_again(faults)
        for question in again:
            answers.pop(question.key, None)
        talk.go_through(again, answers)


def document_of(answers: dict[str, Any]) -> Document:
    """Answers by dotted key as tables."""
    document: Document = {table: {} for table in ("level", "amplifier", "crossover", "protection", "driver")}
    for dotted, value in answers.items():
        table, _, key = dotted.partition(".")
        if key:
            document.setdefault(table, {})[key] = value
    return document


def _to_ask_again(faults: list[Fault]) -> list[Question]:
    """The questions whose keys the faults name; all of a table where that does not do.

    One answer about the protection leads to other questions about it, so that table is gone through again.
    """
    keys = {fault.key for fault in faults}
    asked = {question.key for question in QUESTIONS}
    whole = {key.partition(".")[0] for key in keys if key not in asked or key.startswith("protection.")}
    return [question for question in QUESTIONS if question.key in keys or question.key.partition(".")[0] in whole]


class _Talk:
    """Prompts, answers, and what is wrong with them."""

    def __init__(self, ask: Ask, say: Say, width: int) -> None:
        self._ask, self._say, self._width = ask, say, width

    def tell(self, text: str, *, indent: str = "") -> None:
        for line in textwrap.wrap(text, self._width - 1, initial_indent=indent, subsequent_indent=f"{indent}  "):
            self._say(line)

    def way(self) -> tuple[str, ...]:
        """How the level is known: the keys to ask for."""
        self._say("")
        self.tell(TITLES["level"])
        for number, (words, _) in enumerate(WAYS_ASKED, start=1):
            self.tell(f"{number}  {words}", indent="  ")
        while True:
            typed = self._ask(f"How is it known [1 to {len(WAYS_ASKED)}]: ").strip()
            if typed in map(str, range(1, len(WAYS_ASKED) + 1)):
                return WAYS_ASKED[int(typed) - 1][1]
            self.tell(f"! type a number from 1 to {len(WAYS_ASKED)}: one way must be known")

    def go_through(self, questions: tuple[Question, ...] | list[Question], answers: dict[str, Any]) -> None:
        table = "level"
        for question in questions:
            if not question.when(answers):
                answers.pop(question.key, None)
                continue
            if question.key.partition(".")[0] != table:
                table = question.key.partition(".")[0]
                self._say("")
                self.tell(TITLES[table])
            value = self._answer(question, answers)
            if value is not None:
                answers[question.key] = value

    def _answer(self, question: Question, answers: dict[str, Any]) -> Any:
        table, _, key = question.key.partition(".")
        kind = answers.get("protection.kind")
        wanted, words, unit = _form(table, key, kind)
        known = "needed" if question.is_needed else f"Enter: {question.enter}"
        prompt = f"  {question.ask}{f' [{unit}]' if unit else ''} ({question.usual}; {known}):"
        while True:
            typed = self._ask(_folded(prompt, self._width)).strip()
            if not typed and not question.is_needed:
                return None
            if not typed:
                found = WHERE_FOUND[question.key]
                self.tell(f"! needed: the rig cannot be worked out without it ({found})", indent="  ")
                continue
            value = answered(typed, key=question.key, wanted=wanted, words=words, unit=unit)
            fault = value_fault(table, key, value, kind=kind)
            if fault is not None:
                is_number = isinstance(value, str) and bool(wanted & {int, float})
                hint = hint_at_prompt(typed, key=question.key, is_number=is_number, unit=unit)
                fault = replace(fault, hint=hint or fault.hint)
            fault = fault or _fault_with_the_others(question.key, value, answers)
            if fault is None:
                return value
            told = "type yes or no" if bool in wanted else str(fault).removeprefix(f"{question.key}: ")
            self.tell(f"! {told}", indent="  ")


def _fault_with_the_others(dotted: str, value: Any, answers: dict[str, Any]) -> Fault | None:
    """What is wrong with a value beside those answered before it; None for a key that leans on later ones."""
    if dotted not in _LEAN_ON_EARLIER:
        return None
    _, faults = resolve_rig(document_of({**answers, dotted: value}), path="the answers")
    return next((each for each in faults if each.key == dotted), None)


def _form(table: str, key: str, kind: str | None) -> tuple[set[type], list[str], str]:
    """What sort of value a key takes, the words if it takes one of a few, and its unit."""
    if (table, key) == ("protection", "kind"):
        return {str}, list(protection.METHODS), ""
    model = model_of(table, {"kind": kind})
    assert model is not None  # the kind has been checked
    return kinds(model.model_fields[key].annotation), words_of(model, key), unit_of(model, key)


def _folded(prompt: str, width: int) -> str:
    """The prompt over as many lines as it takes, with room for an answer behind it."""
    lines = textwrap.wrap(prompt, width - 10, subsequent_indent="    ", drop_whitespace=True)
    return "\n".join(lines) + " "
