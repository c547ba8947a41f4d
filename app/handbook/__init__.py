"""The handbook: topics that the program explains, in the terminal and in the window alike.

One text a topic, in paragraphs and tables of two columns; both show whatever blocks come.
"""

from __future__ import annotations

from app.handbook.procedure import PROCEDURE_TOPICS
from app.handbook.reference import CALIBRATION, CENTRE, PROBE, SPOILS, WIRE
from app.handbook.terms import MEANINGS, TERMS, Term
from app.handbook.topic import Topic, TopicTable, as_text, cells

TOPICS = {
    topic.name: topic
    for topic in (*PROCEDURE_TOPICS, TERMS, SPOILS, CENTRE, CALIBRATION, PROBE, WIRE)
}
"""Every topic by its name, in the order in which they are listed and printed."""

__all__ = [
    "MEANINGS",
    "SPOILS",
    "TERMS",
    "TOPICS",
    "Term",
    "Topic",
    "TopicTable",
    "as_text",
    "found_in",
    "whole_text",
]


def whole_text() -> str:
    """Return the whole handbook as lines of a terminal, to be printed."""
    return "\n\n\n".join(
        f"{as_text(topic)}\n\n(evenlobe help {topic.name})" for topic in TOPICS.values()
    )


def found_in(words: str) -> list[tuple[Topic, str]]:
    """Return each paragraph or row that has all of these words, with its topic; case counts not."""
    wanted = words.casefold().split()
    return [
        (topic, told)
        for topic in TOPICS.values()
        for told in (topic.title, *cells(topic))
        if wanted and all(word in told.casefold() for word in wanted)
    ]
