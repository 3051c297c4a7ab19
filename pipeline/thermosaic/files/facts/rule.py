"""Facts of the rule: every number with its source and standing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .rows import Row, fact

if TYPE_CHECKING:
    from pydantic import BaseModel

    from ...model import LotRecord

RULE_PARTS = ("profile", "statistic", "stop", "edge_trim", "window", "zone", "speed", "classes")


def rule_rows(record: LotRecord) -> list[Row]:
    """Every number of the rule with its source and standing."""
    rules = record.config.rules
    rows = [
        ("rule.id", rules.id, "", "Rule profile"),
        ("rule.title", rules.title, "", "Title"),
        ("rule.citation", rules.citation, "", "Documents that the rule follows; no conformity is claimed"),
        ("rule.note", rules.note or "", "", "Note"),
    ]
    for part in RULE_PARTS:
        rows += _sourced(record, f"rule.{part}", part, getattr(rules, part))
    for rank, word in enumerate(rules.classes.words):
        rows.append((f"rule.class_{rank}", word.word, "", f"Class word of rank {rank}, 0 = best"))
        rows += _sourced(record, f"rule.class_{rank}", f"classes.{word.word}", word)
    return rows


def _sourced(record: LotRecord, prefix: str, source_prefix: str, section: BaseModel) -> list[Row]:
    """One row for each stated value, its meaning followed by source and standing."""
    notes, rows = record.config.rules.sources, []
    for name, field in type(section).model_fields.items():
        value = getattr(section, name)
        if value is None or name in ("word", "words"):
            continue
        note = notes.get(f"{source_prefix}.{field.alias or name}")
        source = f"source: {note.source}; standing: {note.standing}" if note else "source: none stated"
        rows.append(fact(record, f"{prefix}.{name}", value, f"{field.description}; {source}"))
    return rows
