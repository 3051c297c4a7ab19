"""Single pictures: the same bytes each time, nothing from outside, and they show what the layers say."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgba
from matplotlib.transforms import Bbox
from PIL import Image

import builders
from thermosaic.cli.entry import app
from thermosaic.errors import ConfigError
from thermosaic.files.plots import PICTURES, draw_plot
from thermosaic.files.sheets.layers_picture import (
    BEND_IN,
    LAYERS_IN,
    LEFT_IN,
    WIDE_IN,
    _to_inches,
    draw_layers,
)
from thermosaic.files.sheets.look import SOFT, class_face, drawing
from thermosaic.files.sheets.lot_sheet import read_sheet
from thermosaic.files.sheets.measures import Measures
from thermosaic.files.sheets.plan import PLAN_IN, draw_plan
from thermosaic.files.sheets.strips import rows_of, width_words
from thermosaic.opening import load_config
from thermosaic.results import plot_result, verify_result
from thermosaic.run import run_lot

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def result(tmp_path_factory) -> Path:
    """Give the result of a metric lot with a bend, a stop and two cold patches."""
    folder = builders.write_lot(tmp_path_factory.mktemp("lot"), builders.bend_and_stop_lot())
    out = tmp_path_factory.mktemp("result") / "result"
    run_lot(load_config(folder), out, report=False)
    return out


def test_a_run_without_a_report_has_none(result):
    """`report=False` leaves out page, card, waypoints and tables, and the result still verifies."""
    assert not [
        name for name in ("report.html", "card.png", "places.gpx", "tables") if (result / name).exists()
    ]
    assert verify_result(result) == []


@pytest.mark.parametrize("what", PICTURES)
@pytest.mark.parametrize("ending", ["png", "svg"])
def test_pictures_are_the_same_each_time(result, tmp_path, what, ending):
    """Drawn twice, a picture has the same bytes; no date, program or foreign reference is in it."""
    paths = [draw_plot(result, what, tmp_path / f"{name}.{ending}") for name in ("first", "second")]
    first, second = (path.read_bytes() for path in paths)
    assert first == second
    if ending == "svg":
        text = first.decode()
        ElementTree.fromstring(text)
        references = re.findall(r'(?:href|src)="([^"]*)"', text)
        assert all(ref.startswith(("#", "data:image/png")) for ref in references)
        assert "<dc:" not in text
    else:
        with Image.open(paths[0]) as image:
            assert set(image.info) <= {"dpi"}
            assert np.asarray(image.convert("L")).std() > 5


def test_the_strip_says_what_the_layers_say(result, tmp_path):
    """Every profile's number and differential, every zone and every stop stands on the strip as text."""
    text = draw_plot(result, "strip", tmp_path / "strip.svg").read_text()
    words = " ".join(e.text for e in ElementTree.fromstring(text).iter(f"{SVG}text") if e.text)
    sheet = read_sheet(result)
    for _, profile in sheet.frames["profiles"].iterrows():
        assert (
            f"{profile['profile_id']}: \N{GREEK CAPITAL LETTER DELTA} {profile['differential_delta_c']:.1f}"
            in words
        )
    for number in sheet.frames["cold_zones"]["zone_id"]:
        assert f"zone {number}" in words
    assert words.count("stood") == len(sheet.frames["stops"])
    assert {"left edge", "right edge"} <= {e.text for e in ElementTree.fromstring(text).iter(f"{SVG}text")}


@pytest.mark.parametrize("what", PICTURES)
def test_every_picture_names_its_lot(result, tmp_path, what):
    """Lot, road, lane, lift and day stand above a picture, clear of it: two of them can be told apart."""
    text = draw_plot(result, what, tmp_path / f"{what}.svg").read_text()
    words = [e.text for e in ElementTree.fromstring(text).iter(f"{SVG}text") if e.text]
    lot = read_sheet(result)
    stated = lot.config["lot"]
    assert stated["id"] in words
    named = next(word for word in words if word.startswith(stated["route"]))
    assert re.search(rf"lane {stated['lane']}, lift {stated['lift']}, paved on \d{{4}}-\d\d-\d\d", named)


def _written(figure, axes) -> dict[str, Bbox]:
    """Words of axes and the pixels that they take."""
    FigureCanvasAgg(figure).draw()
    return {text.get_text(): text.get_window_extent() for text in axes.texts if text.get_text()}


def test_the_plans_words_stay_in_its_frame(result):
    """Every station, zone and scale stands wholly inside the plan, and a zone's name below its own frame."""
    sheet = read_sheet(result)
    with drawing(*PLAN_IN) as figure:
        draw_plan(figure, sheet)
        plan = figure.axes[0]
        words, frame = _written(figure, plan), plan.get_window_extent()
        windows = [
            patch.get_window_extent() for patch in plan.patches if patch.get_edgecolor() == to_rgba(SOFT)
        ]
    assert {"zone 1", "zone 2"} <= set(words)
    assert all(frame.x0 <= box.x0 and box.x1 <= frame.x1 for text, box in words.items() if text != "N")
    for number in (1, 2):
        middle = (words[f"zone {number}"].x0 + words[f"zone {number}"].x1) / 2
        assert min(abs((window.x0 + window.x1) / 2 - middle) for window in windows) < 1


def test_a_bend_to_either_side_stays_in_its_strip():
    """The line of a bend of 60 m radius, either way, is drawn level by its ends, within its strip and the width."""
    turn = np.radians(np.linspace(0, 110, 200))
    for side in (1.0, -1.0):
        line_m = np.column_stack([60 * np.sin(turn) + 5e5, side * 60 * (1 - np.cos(turn)) + 4e6])
        drawn = _to_inches(line_m).transform(line_m)
        assert drawn[0, 1] == pytest.approx(drawn[-1, 1], abs=1e-6)
        assert np.ptp(drawn[:, 1]) <= BEND_IN + 1e-6
        assert drawn[:, 1].max() == pytest.approx(-drawn[:, 1].min(), abs=1e-6)
        assert drawn[:, 0].max() <= LEFT_IN + WIDE_IN + 1e-6


def test_layers_pulled_apart_keep_their_words_apart(result):
    """On the picture of the layers no word touches another, and none leaves the picture."""
    with drawing(*LAYERS_IN) as figure:
        draw_layers(figure, read_sheet(result))
        boxes = [box for axes in figure.axes for box in _written(figure, axes).values()]
        whole = figure.bbox
    assert len(boxes) > 8
    assert all(whole.x0 <= box.x0 and box.x1 <= whole.x1 for box in boxes)
    assert not [(a, b) for i, a in enumerate(boxes) for b in boxes[:i] if a.overlaps(b)]


@pytest.mark.parametrize(
    ("width_m", "words"),
    [
        ([3.6, 3.6], "mat, 11.8 ft"),
        ([3.6, 3.3], "mat, 10.8 \N{EN DASH}\n11.8 ft"),
        ([np.nan], "mat, \N{EN DASH} ft"),
    ],
)
def test_a_width_that_changes_has_two_numbers(width_m, words):
    """3.6 m are 11.8 ft and 3.3 m 10.8 ft (a foot of 0.3048 m): a row with both says so, not the one in the middle."""
    sheet = SimpleNamespace(measures=Measures("us", sigma_m=0.02))
    row = SimpleNamespace(profiles=pd.DataFrame({"width_mean_m": width_m}))
    assert width_words(sheet, row).replace("\N{NO-BREAK SPACE}", " ") == words


def test_rows_hold_every_profile_once(result):
    """Ten profiles a row; together the rows hold each profile of the lot once, with match lines between."""
    sheet = read_sheet(result)
    rows = rows_of(sheet)
    held = [number for row in rows for number in row.profiles["profile_id"]]
    assert held == sheet.frames["profiles"]["profile_id"].tolist()
    assert all(len(row.profiles) <= 10 for row in rows)


def test_classes_differ_without_colour():
    """No two classes share their hatching, and shades darken with rank (relative luminance falls)."""
    for words in (2, 3, 4, 5):
        faces = [class_face(rank, words) for rank in range(words)]
        assert len({hatch for _, hatch in [*faces, class_face(None, words)]}) == words + 1
        grey = [
            int(colour[1:3], 16) * 0.21 + int(colour[3:5], 16) * 0.72 + int(colour[5:], 16) * 0.07
            for colour, _ in faces
        ]
        assert all(later <= earlier for earlier, later in pairwise(grey))


def test_wrong_names_are_refused_in_words(result, tmp_path):
    """An unknown picture or format names those that there are."""
    with pytest.raises(ConfigError, match="choose one of strip, plan"):
        draw_plot(result, "pie", tmp_path / "a.png")
    with pytest.raises(ConfigError, match=r"\.png or \.svg"):
        draw_plot(result, "strip", tmp_path / "a.jpg")
    with pytest.raises(ConfigError, match="nowhere: is no folder: make it"):
        draw_plot(result, "strip", tmp_path / "nowhere" / "a.png")
    with pytest.raises(ConfigError, match="is no folder"):
        plot_result(tmp_path / "nothing", "strip", tmp_path / "a.png")


def test_the_commands_of_the_helps_examples(result, tmp_path):
    """`report RESULT -o DIR` and `plot RESULT --what strip -o FILE` write what they name and print it."""
    runner = CliRunner()
    drawn = runner.invoke(app, ["plot", str(result), "--what", "strip", "-o", str(tmp_path / "strip.png")])
    assert drawn.exit_code == 0
    assert drawn.output.strip() == str(tmp_path / "strip.png")
    made = runner.invoke(app, ["report", str(result), "-o", str(tmp_path / "report"), "--lang", "es"])
    assert made.exit_code == 0
    assert made.output.split() == [str(p) for p in [
        tmp_path / "report/report.html", tmp_path / "report/card.png", tmp_path / "report/places.gpx",
        *(tmp_path / f"report/tables/{n}.csv" for n in ("lot", "profiles", "stops", "cold_zones", "dropped")),
    ]]  # fmt: skip
    assert all(Path(line).is_file() for line in made.output.split())
