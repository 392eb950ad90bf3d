"""The questions that a text-line board can be asked, of its templates, and the forms of their answers."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import count

from drivers.text_exchange import Question
from drivers.text_settings import REPLIES, TextRules
from drivers.text_template import Template, Value, may_be_same


class Questions:
    """All questions of one board, by the name of their template."""

    def __init__(self, rules: TextRules, *, outputs: int, inputs: int) -> None:
        self._templates = rules.templates
        self._forms = _forms(rules.templates)
        self._first_input = rules.first_input
        self._has = {
            "read outputs": outputs > 0,
            "read inputs": inputs > 0,
            "read one input": inputs > 0,
            "identify": True,
        }

    def __contains__(self, name: str) -> bool:
        return name in self._templates

    def make(self, name: str, values: Mapping[str, Value] | None = None) -> Question:
        """The question of that name. Raises ValueError for a value that does not fit its template."""
        known = dict(values or {})
        reply = REPLIES[name]
        return Question(
            name,
            self._templates[name].write(known),
            self._templates.get(reply),
            self._forms.get(reply, 0),
            known,
        )

    def checks(self) -> list[Question]:
        """A question of each kind that only reads and that the board is sure to answer, shortest first."""
        values = {"channel": self._first_input}
        return [self.make(name, values) for name, sure in self._has.items() if sure and name in self]

    def addressed(self) -> bool:
        """Whether every command and every reply names the board's unit."""
        return all("unit" in template.names for template in self._templates.values())


def _forms(templates: Mapping[str, Template]) -> dict[str, int]:
    """A number for each reply; the same for those that one line could be an answer of."""
    numbers = count(1)
    forms: dict[str, int] = {}
    for reply in dict.fromkeys(REPLIES.values()):
        if reply not in templates:
            continue
        alike = {forms[other] for other in forms if may_be_same(templates[reply], templates[other])}
        number = next(numbers)
        forms = {other: number if form in alike else form for other, form in forms.items()} | {reply: number}
    return forms
