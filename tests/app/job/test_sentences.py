"""Kept sentences are found again by their fixed text, whatever stands in their braces."""

import re

import pytest

from app.analysis.results import Message
from app.job import messages, verdicts
from app.job.sentences import message_of

EVERY = [
    each
    for module in (messages, verdicts)
    for each in vars(module).values()
    if isinstance(each, Message)
]


@pytest.mark.parametrize("message", EVERY, ids=lambda each: each.text[:30])
def test_a_sentence_is_found_with_its_values(message):
    count = len(set(re.findall(r"\{\d+\}", message.text)))
    values = tuple(f"+{n}.5" for n in range(count))
    found = message_of(str(Message(message.text, values)))
    assert found == Message(message.text, values)


def test_another_sentence_is_itself():
    assert str(message_of("the belt {slips}, 3 times")) == "the belt {slips}, 3 times"
