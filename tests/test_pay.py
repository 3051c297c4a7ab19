"""A pay table is the user's own: none is shipped, every amount needs its source, and it only multiplies."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

import finding
from thermosaic.config import PayRule
from thermosaic.errors import ConfigError
from thermosaic.files.catalogue import load_rules
from thermosaic.findings.pay import pay

RULES = Path(__file__).parents[1] / "configs" / "rules"
TABLE = '\n[pay]\ncurrency = "USD"\namounts = [100.0, 0.0, -250.0]\ninsufficient = 0.0\n'
SOURCES = (
    '\n[sources."pay.amounts"]\nsource = "an invented contract"\nstanding = "common practice, no source"\n'
    '[sources."pay.insufficient"]\nsource = "an invented contract"\nstanding = "common practice, no source"\n'
)


def test_no_pay_table_is_shipped():
    """No shipped rule has one."""
    assert all(load_rules(path.stem).pay is None for path in RULES.glob("*.toml"))
    assert pay(pd.DataFrame({"profile_class": []}), finding.rules()) == {}


def test_amounts_are_multiplied_by_hand():
    """Two none, one moderate, three severe, one insufficient: 2 x 100 + 0 - 3 x 250 = -550."""
    table = PayRule(currency="USD", amounts=(100.0, 0.0, -250.0), insufficient=0.0)
    rules = finding.rules().model_copy(update={"pay": table})
    words = ["none"] * 2 + ["moderate"] + ["severe"] * 3 + ["insufficient"]
    found = pay(pd.DataFrame({"profile_class": words}), rules)
    assert found["total"] == -550.0
    assert found["by_class"]["severe"] == {"count": 3, "each": -250.0, "sum": -750.0}


@pytest.mark.parametrize(
    ("table", "words"),
    [(TABLE, "no source"), (TABLE.replace(", -250.0", "") + SOURCES, "one for each of 3 classes")],
)
def test_a_table_without_source_or_class_is_refused(tmp_path, table, words):
    """An amount needs its source as every number of a rule does, and each class its amount."""
    path = tmp_path / "ours.toml"
    path.write_text((RULES / "differential-150ft.toml").read_text() + table)
    with pytest.raises(ConfigError, match=words):
        load_rules(path.name, tmp_path)


def test_a_user_enters_a_table(tmp_path):
    """A copy of a shipped rule with a table and its sources loads."""
    path = tmp_path / "ours.toml"
    path.write_text((RULES / "differential-150ft.toml").read_text() + TABLE + SOURCES)
    assert load_rules(path.name, tmp_path).pay.amounts == (100.0, 0.0, -250.0)
