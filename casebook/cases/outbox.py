"""The outbox: what a change must cause, noted in the change's own transaction."""

from __future__ import annotations

from casebook.cases.models import Outbox

INDEX = "index"  # the search index has something to catch up with
EXPORT = "export"  # key: shop id and job id, with a slash between


def note_effect(topic: str, key: str = "") -> None:
    """Call inside the transaction of the change. The relay carries it out after commit."""
    Outbox.objects.create(topic=topic, key=key)
