"""Kept sentences are found again by their fixed text, whatever stands in their braces."""

import re
from types import SimpleNamespace

import pytest

from app.analysis.results import Message
from app.job import messages, sentences, verdicts
from app.job.sentences import message_of, messages_of

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


def test_of_two_that_fit_the_one_with_more_words_of_its_own_was_meant(monkeypatch):
    both = SimpleNamespace(any=Message("Read track {0}."), third=Message("Read track 3."))
    monkeypatch.setattr(sentences, "_MODULES", (both,))
    texts = [text for _, text in sentences._patterns.__wrapped__()]
    assert texts == ["Read track 3.", "Read track {0}."]


@pytest.mark.parametrize("said", ["the belt slips", "the belt slips; and squeaks"])
def test_sentences_of_which_one_is_not_known_are_taken_as_they_are(said):
    assert messages_of(said) == (Message("{0}", (said,)),)
    assert messages_of(f"{said}; {messages.SEAL}") == (
        Message("{0}", (f"{said}; {messages.SEAL}",)),
    )


def test_sentences_that_are_known_are_told_apart():
    assert messages_of(f"{messages.SEAL}; {messages.HUMIDITY}") == (
        messages.SEAL,
        messages.HUMIDITY,
    )
