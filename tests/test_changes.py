"""A key changed later: check says what it affects."""

from __future__ import annotations

import pytest

import sound_lot
from thermosaic.checks import changes_against, used_by
from thermosaic.checks.changes import AFFECTS, affected_by
from thermosaic.config import LotConfig, config_as_used
from thermosaic.errors import ConfigError
from thermosaic.files import manifest
from thermosaic.opening import load_config


@pytest.fixture(scope="module")
def before(tmp_path_factory):
    """Give a sound lot's configuration as a result keeps it."""
    folder = sound_lot.write_with(tmp_path_factory.mktemp("lot"), sound_lot.sound_lot(), {})
    return folder, config_as_used(load_config(folder))


@pytest.mark.parametrize(
    ("old", "new", "key", "found", "affects"),
    [
        ('"10+12.26"', '"10+42.74"', "mark.1.station", "was 10+12.26, is 10+42.74", "labels and stations only"),
        ('"1.98 m ahead"', '"2.0 m ahead"', "rig.antenna_forward", "was 1.98 m, is 2 m", "positions"),
        ('"145 degC"', '"150 degC"', "lot.laydown_target", "was 145 degC, is 150 degC", "against the target"),
        ("lift = 1", "lift = 2", "lot.lift", "was 1, is 2", "no position, cut or class"),
        ('"0.9 m ahead"', '"1.0 m ahead"', "rig.screed_forward", "is 1 m", "not where they lie"),
    ],
)  # fmt: skip
def test_a_changed_key_says_what_it_affects(before, tmp_path, old, new, key, found, affects):
    """One key changed gives one item: what it was and is, in the lot's units, and what follows."""
    edits = {"lot.toml": lambda text: text.replace(old, new, 1)}
    folder = sound_lot.write_with(tmp_path / "lot", sound_lot.sound_lot(), edits)
    items = changes_against(load_config(folder), before[1], {}).items
    assert [item.name for item in items] == [key]
    assert found in items[0].found
    assert affects in items[0].advice


def test_nothing_changed_is_said(before):
    """The same lot differs in nothing; a log with another digest is named."""
    config = load_config(before[0])
    assert [item.verdict for item in changes_against(config, before[1], {}).items] == ["ok"]
    named = changes_against(config, before[1], {"scan.csv": "0" * 64}).items
    assert [item.found for item in named] == ["scan.csv is not the file that the result was made from"]


def test_a_manifest_gives_what_was_used(before, tmp_path):
    """Configuration and digests come from a result's manifest; a folder without one is refused."""
    digest = manifest.sha256_of(before[0] / "scan.csv")
    listed = {"configuration": before[1], "inputs": [{"path": "scan.csv", "sha256": digest}]}
    manifest.write_json(tmp_path / "manifest.json", listed)
    used, digests = used_by(tmp_path)
    assert changes_against(load_config(before[0]), used, digests).items[0].verdict == "ok"
    with pytest.raises(ConfigError, match="neither a result nor a lot"):
        used_by(tmp_path / "elsewhere")


def test_every_section_of_a_lot_has_its_words():
    """No section of lot.toml falls back to 'everything', and every key of the table is one of a lot's or a rule's."""
    stated = {field.alias or name for name, field in LotConfig.model_fields.items()}
    sections = {key.split(".")[0] for key in AFFECTS}
    missing = stated - sections - {"labels", "folder", "source_text"}
    assert {name for name in missing if not name.endswith("_format")} == set()
    assert affected_by("rules.zone.drop") == AFFECTS["rules.zone"]


def test_limits_of_the_colours_are_a_key(tmp_path):
    """display_low and display_high are temperatures, in order; changed later they affect pictures only."""
    edits = {"lot.toml": lambda text: text + 'display_low = "60 degC"\ndisplay_high = "180 degC"\n'}
    assert "[delivery]" in sound_lot.sound_lot().files["lot.toml"].decode()
    folder = sound_lot.write_with(tmp_path / "lot", sound_lot.sound_lot(), edits)
    config = load_config(folder)
    assert config.delivery.display_c == (60.0, 180.0)
    before = config_as_used(config)
    before["delivery"]["display_low_c"] = 70.0
    (item,) = changes_against(config, before, {}).items
    assert (item.name, item.found) == ("delivery.display_low", "was 70 degC, is 60 degC")
    assert "pictures only" in item.advice
    path = folder / "lot.toml"
    path.write_text(path.read_text().replace("60 degC", "190 degC"))
    with pytest.raises(ConfigError, match="display_low must be below display_high"):
        load_config(folder)
