"""A season: many lots, each by itself; whatever dies, refuses or is stopped, the rest is whole and the same."""

from __future__ import annotations

import contextlib
import csv
import filecmp
import importlib.util
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import fiona
import pytest

import builders
from command_line import thermosaic
from page_look import assert_no_fault
from thermosaic import archive, season, synthetic
from thermosaic.errors import ConfigError, InputError, MismatchError, ProductError
from thermosaic.files import publishing, season_page, season_table
from thermosaic.opening import load_config
from thermosaic.results import verify_result
from thermosaic.run import run_lot
from thermosaic.season import one_lot, run_season, workers

IDS = ("S-1", "S-2", "S-3")
CHROMIUM = shutil.which("chromium")


def write_lots(folder: Path, count: int = len(IDS)) -> Path:
    """Write sound lots of 80 m, no two alike."""
    for number in range(1, count + 1):
        made = builders.one_stop_lot(
            lot_id=f"S-{number}", road=(synthetic.straight(78.0 + number),), passes=(synthetic.PassPlan(),)
        )
        builders.write_lot(folder / f"lot{number}", made)
    return folder


def write_bad(folder: Path) -> None:
    """Add a lot file that is no TOML, and a lot whose scan is missing."""
    for name in ("broken", "no_scan"):
        shutil.copytree(folder / "lot1", folder / name)
        restate(folder / name, id=f'"{name}"')
    (folder / "broken" / "lot.toml").write_text("[lot\n")
    (folder / "no_scan" / "scan.csv").unlink()


def restate(lot: Path, **keys: str) -> None:
    """State keys of [lot] otherwise, as TOML values."""
    text = (lot / "lot.toml").read_text()
    for key, value in keys.items():
        text = re.sub(rf"(?m)^{key} = .*\n", "", text, count=1)
        text = text.replace("[lot]\n", f"[lot]\n{key} = {value}\n", 1)
    (lot / "lot.toml").write_text(text)


@pytest.fixture(scope="module")
def lots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder of three sound lots and two bad ones; read it, never write into it."""
    folder = write_lots(tmp_path_factory.mktemp("season") / "lots")
    write_bad(folder)
    return folder


@pytest.fixture(scope="module")
def quiet(lots: Path) -> tuple[Path, season.Season]:
    """Give their season run one after another, undisturbed, and what was told; read it, never write into it."""
    results = lots.parent / "quiet"
    return results, run_season(lots, results, jobs=1, report=False)


@pytest.fixture
def own(lots: Path, quiet: tuple[Path, season.Season], tmp_path: Path) -> tuple[Path, Path]:
    """Give a copy of the sound lots and of their results, to be spoilt."""
    for name in ("lot1", "lot2", "lot3"):
        shutil.copytree(lots / name, tmp_path / "lots" / name)
    for name in IDS:
        shutil.copytree(quiet[0] / name, tmp_path / "results" / name)
    return tmp_path / "lots", tmp_path / "results"


def same_bytes(first: Path, second: Path) -> bool:
    """Whether two folders hold the same files with the same bytes, but for run.json."""
    names = [
        {path.relative_to(top) for path in top.rglob("*") if path.is_file() and path.name != "run.json"}
        for top in (first, second)
    ]
    return names[0] == names[1] and all(
        filecmp.cmp(first / name, second / name, shallow=False) for name in names[0]
    )


def states(done: season.Season) -> dict[str, tuple[str, int]]:
    """State and exit code by the name of the lot."""
    return {outcome.lot.name: (outcome.state, outcome.exit_code) for outcome in done.outcomes}


def reason(lot: Path, result: Path, report: bool = False, overwrite: bool = False) -> str:
    """Why a lot would be run."""
    return one_lot.reason_to_run(load_config(lot), result, report, overwrite)


# ------------------------------------------------------------------------------------- one bad, the others good


def test_one_bad_lot_sinks_no_other(lots: Path, quiet: tuple[Path, season.Season], tmp_path: Path) -> None:
    """Sound lots are done; each bad one has the exit code and the message of `thermosaic run` by itself."""
    results, done = quiet
    good = dict.fromkeys(("lot1", "lot2", "lot3"), ("done", 0))
    assert states(done) == {"broken": ("refused", 2), **good, "no_scan": ("refused", 3)}
    assert [verify_result(results / name) for name in IDS] == [[], [], []]
    for outcome in done.refused:
        alone = thermosaic("run", outcome.lot.path, "-o", tmp_path / "alone")
        assert alone.returncode == outcome.exit_code
        assert alone.stderr.strip().endswith(outcome.error)
    assert sorted(os.listdir(results)) == [*IDS, "run.json", "season.csv", "season.html"]


def test_a_result_is_that_of_a_run_by_itself(lots: Path, quiet: tuple, tmp_path: Path) -> None:
    """A season gives a lot the bytes that `run_lot` gives it."""
    run_lot(load_config(lots / "lot2"), tmp_path / "alone", report=False)
    assert same_bytes(quiet[0] / "S-2", tmp_path / "alone")


def test_the_table_says_what_the_layers_say(quiet: tuple) -> None:
    """Each row of season.csv, read with the csv module, equals the layer `lot` of its GeoPackage, read with fiona."""
    with (quiet[0] / "season.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["lot_id"] for row in rows] == [*IDS, "no_scan", ""]
    for row in rows[:3]:
        with fiona.open(quiet[0] / row["lot_id"] / "lot.gpkg", layer="lot") as layer:
            (held,) = [dict(item["properties"]) for item in layer if item["properties"]["pass_id"] is None]
        shared = [name for name in row if name in held and row[name]]
        assert len(shared) > 20
        for name in shared:
            value = held[name]
            assert float(row[name]) == pytest.approx(value, abs=6e-3) if isinstance(value, float) else (
                row[name] == str(value)
            ), name  # fmt: skip
        counts = [int(row[f"class_{rank}_count"]) for rank in range(5)]
        assert sum(counts) + int(row["insufficient_count"]) == int(row["profile_count"])
        assert row["classes"] == f"{counts[0]} none, {counts[1]} moderate, {counts[2]} severe"
    assert [(row["lot_folder"], row["exit_code"]) for row in rows[3:]] == [("no_scan", "3"), ("broken", "2")]


def test_no_clock_host_or_place_is_in_table_and_page(lots: Path, quiet: tuple, tmp_path: Path) -> None:
    """The same season elsewhere, under another name, leaves the same table and page; run.json alone tells of times."""
    shutil.copytree(lots, tmp_path / "ailleurs")
    shutil.copytree(quiet[0], tmp_path / "résultats")
    run_season(tmp_path / "ailleurs", tmp_path / "résultats", jobs=1, report=False)
    assert same_bytes(quiet[0], tmp_path / "résultats")
    facts = json.loads((quiet[0] / "run.json").read_text())
    assert [lot["duration_s"] > 0.1 for lot in facts["lots"] if lot["state"] == "done"] == [True] * 3
    assert str(lots.parent) not in (quiet[0] / "season.csv").read_text()


def test_what_was_done_before_is_in_the_table(lots: Path, quiet: tuple, tmp_path: Path) -> None:
    """Results of earlier calls are rows too, so a season grows week by week to the same rows as all at once."""
    shutil.copytree(quiet[0], tmp_path / "results")
    run_season(lots / "lot2", tmp_path / "results", jobs=1, report=False)
    with (tmp_path / "results" / "season.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [(row["lot_id"], row["state"], row["lot_folder"]) for row in rows] == [
        ("S-1", "done", ""), ("S-2", "done", "lot2"), ("S-3", "done", ""),
    ]  # fmt: skip


# --------------------------------------------------------------------------------------------- what needs a run


def test_a_second_call_does_nothing(lots: Path, quiet: tuple, monkeypatch: pytest.MonkeyPatch) -> None:
    """Lots that are up to date are not run; refused ones are tried again; table and page keep their bytes."""
    kept = [(quiet[0] / name).read_bytes() for name in ("season.csv", "season.html")]
    monkeypatch.setattr(one_lot, "run_lot", lambda *_, **__: pytest.fail("a lot was run"))
    again = run_season(lots, quiet[0], report=False)  # no process is started for nothing either
    assert {state for state, _ in states(again).values()} == {"up to date", "refused"}
    assert [(quiet[0] / name).read_bytes() for name in ("season.csv", "season.html")] == kept


CHANGES = {
    "lot.toml": lambda lot: (lot / "lot.toml").write_text((lot / "lot.toml").read_text() + "# a remark\n"),
    "lot.toml; rig": lambda lot: (lot / "lot.toml").write_text(
        (lot / "lot.toml")
        .read_text()
        .replace('antenna_right = "0.1 m left"', 'antenna_right = "0.1 m right"')
    ),
    "gnss.nmea": lambda lot: (lot / "gnss.nmea").write_bytes((lot / "gnss.nmea").read_bytes() + b"\n"),
}


@pytest.mark.parametrize("what", CHANGES)
def test_a_changed_lot_is_run_again(own: tuple[Path, Path], what: str) -> None:
    """A changed file or key makes a result out of date, and is named; the other lots are up to date."""
    lots, results = own
    CHANGES[what](lots / "lot1")
    assert [reason(lots / f"lot{n}", results / f"S-{n}") for n in (1, 2, 3)] == [what, "", ""]


def test_a_changed_rule_profile_is_noticed(own: tuple[Path, Path]) -> None:
    """A rule profile of one's own that changes behind an unchanged lot.toml makes the result out of date."""
    lots, results = own
    lot, rule = lots / "lot1", Path(__file__).parent.parent / "configs/rules/differential-150ft.toml"
    shutil.copy(rule, lot / "rule.toml")
    text = (lot / "lot.toml").read_text().replace('"differential-150ft"', '"rule.toml"')
    (lot / "lot.toml").write_text(text)
    assert run_season(lot, results, jobs=1, report=False).count("done") == 1
    assert reason(lot, results / "S-1") == ""
    (lot / "rule.toml").write_text(rule.read_text().replace('"25 degF', '"26 degF'))
    assert reason(lot, results / "S-1") == "rules"


def test_another_version_makes_all_out_of_date(
    own: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another version of the program or of a library may give other bytes, so results of it are made again."""
    lots, results = own
    known = one_lot.versions()
    monkeypatch.setattr(one_lot, "versions", lambda: {**known, "python": "3.99"})
    assert reason(lots / "lot1", results / "S-1") == "libraries"
    monkeypatch.setattr(one_lot, "__version__", "9.9.9")
    assert reason(lots / "lot1", results / "S-1").startswith("program ")


def test_a_report_that_is_wanted_and_missing_is_a_reason(own: tuple[Path, Path]) -> None:
    """A result made without report is out of date where one is asked for, and the other way round it is not."""
    lots, results = own
    assert reason(lots / "lot1", results / "S-1", report=True) == "no report yet"


def test_a_change_by_station_keeps_a_lot_up_to_date(own: tuple[Path, Path]) -> None:
    """The time that a run gives to a change stated by station is no difference."""
    lots, results = own
    toml = lots / "lot1" / "lot.toml"
    toml.write_text(f"{toml.read_text()}\n[[change]]\nat_station = '10+40.0'\nmat_right = '1.5 m'\n")
    assert run_season(lots / "lot1", results, jobs=1, report=False).count("done") == 1
    assert reason(lots / "lot1", results / "S-1") == ""


def test_a_stale_result_is_replaced_whole(own: tuple[Path, Path]) -> None:
    """A lot that is out of date is run again over its older result: the bytes of a run into nothing."""
    lots, results = own
    CHANGES["lot.toml; rig"](lots / "lot1")
    done = run_season(lots, results, jobs=1, report=False)
    assert [outcome.state for outcome in done.outcomes] == ["done", "up to date", "up to date"]
    assert done.outcomes[0].why == "lot.toml; rig"
    run_lot(load_config(lots / "lot1"), lots.parent / "alone", report=False)
    assert same_bytes(results / "S-1", lots.parent / "alone")


# ------------------------------------------------------------------------------------- what is in the way


def test_what_somebody_changed_is_not_replaced_unasked(own: tuple[Path, Path]) -> None:
    """A layer edited in a GIS is work: refused with the file's name, untouched; `overwrite` replaces it."""
    lots, results = own
    edited = results / "S-1" / "lot.gpkg"
    edited.write_bytes(edited.read_bytes() + b"edited")
    CHANGES["lot.toml"](lots / "lot1")
    with pytest.raises(ProductError, match=r"changed since .*lot\.gpkg.*--overwrite"):
        reason(lots / "lot1", results / "S-1")
    assert reason(lots / "lot1", results / "S-1", overwrite=True).startswith("lot.toml; lot.gpkg")
    assert edited.read_bytes().endswith(b"edited")


@pytest.mark.parametrize("overwrite", [False, True])
def test_what_is_not_ours_is_never_touched(own: tuple[Path, Path], overwrite: bool) -> None:
    """A file, a link or a folder of other things under a lot's name is refused with exit code 5 and stays."""
    lots, results = own
    for name in IDS:
        shutil.rmtree(results / name)
    (results / "S-1").write_text("mine")
    (results / "S-2").mkdir()
    (results / "S-2" / "notes.txt").write_text("mine")
    (results / "S-3").symlink_to(lots)
    done = run_season(lots, results, jobs=1, report=False, overwrite=overwrite)
    assert set(states(done).values()) == {("refused", 5)}
    assert (results / "S-1").read_text() == (results / "S-2" / "notes.txt").read_text() == "mine"
    assert (results / "S-3").is_symlink()
    assert all("RESULTS/S-" in outcome.error for outcome in done.refused)


def test_an_older_revision_does_not_replace_a_newer_one(own: tuple[Path, Path]) -> None:
    """A lot folder of revision 1 is refused where revision 2 was published, unless that is asked for."""
    lots, results = own
    restate(lots / "lot1", revision="2", reason='"mark corrected"')
    assert run_season(lots / "lot1", results, jobs=1, report=False).count("done") == 1
    restate(lots / "lot1", revision="1")
    with pytest.raises(MismatchError, match="revision 2, the lot states 1"):
        reason(lots / "lot1", results / "S-1")
    assert reason(lots / "lot1", results / "S-1", overwrite=True)


CLASHES = {
    "twice": ("lot2", "S-1", r"lot2: with its id S-1 .*lot1:"),
    "case": ("lot2", "s-1", r"lot2: with its id s-1 .*lot1:"),
    "kept_as": ("lot2", "S-1.old", r"lot2: with its id S-1.old .*the older result of .*lot1"),
    "keeps": ("lot1", "S-2.old", r"lot2: with its id S-2 .*lot1"),
    "own_file": ("lot2", "Season.csv", "a file of the season's own"),
}


@pytest.mark.parametrize("name", CLASHES)
def test_two_lots_that_claim_one_place_are_refused_first(own: tuple[Path, Path], name: str) -> None:
    """Ids that are one, or one to some systems, stop the season before anything is made, both lots named."""
    lots, _ = own
    lot, other, message = CLASHES[name]
    restate(lots / lot, id=f'"{other}"')
    with pytest.raises(ConfigError, match=message):
        run_season(lots, lots.parent / "new", jobs=1)
    assert not (lots.parent / "new").exists()


def test_an_id_that_differs_from_a_result_in_case_is_refused(own: tuple[Path, Path]) -> None:
    """S-1 lies there already: s-1 would replace it on some systems."""
    lots, results = own
    restate(lots / "lot1", id='"s-1"')
    with pytest.raises(ConfigError, match="differs from the result S-1"):
        run_season(lots, results, jobs=1)


def test_lots_are_found_and_counted_once(lots: Path, tmp_path: Path) -> None:
    """A folder of lots, a lot and its lot.toml may be named together; a folder without lots is refused."""
    named = (lots, lots / "lot1", lots / "lot2" / "lot.toml")
    found = season.lots.find_lots(named, tmp_path / "results")
    assert [lot.name for lot in found] == ["broken", "lot1", "lot2", "lot3", "no_scan"]
    with pytest.raises(ConfigError, match="holds no lot"):
        run_season(tmp_path, tmp_path / "results")


def test_a_full_disk_refuses_its_lot_alone(own: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """Where there is no room for one result, that lot is refused with exit code 5 and the others are done."""
    lots, _ = own
    asked, real = [], publishing._require_space

    def full(parent: Path, needed_bytes: int) -> None:
        asked.append(needed_bytes)
        real(parent, needed_bytes if len(asked) != 2 else 1 << 60)

    monkeypatch.setattr(publishing, "_require_space", full)
    done = run_season(lots, lots.parent / "new", jobs=1, report=False)
    assert list(states(done).values()) == [("done", 0), ("refused", 5), ("done", 0)]
    assert "make room" in done.refused[0].error


def test_a_bug_is_one_lots_own(own: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """What nobody expected, and memory that runs out, is that lot's outcome: exit codes 1 and 5."""
    lots, _ = own
    raised = iter([KeyError("x"), MemoryError(), InputError("row 3")])

    def fail(*_: object, **__: object) -> None:
        raise next(raised)

    monkeypatch.setattr(one_lot, "run_lot", fail)
    done = run_season(lots, lots.parent / "new", jobs=1, report=False)
    assert [(outcome.exit_code, outcome.error.split(" ")[0]) for outcome in done.outcomes] == [
        (1, "this"), (5, "out"), (3, "row"),
    ]  # fmt: skip


def test_two_seasons_at_once_do_not_meet(lots: Path, quiet: tuple) -> None:
    """The second one on the same folder is told who works there."""
    with publishing.locked(quiet[0] / "season.csv"), pytest.raises(ProductError, match="locked by process"):
        run_season(lots / "lot1", quiet[0], jobs=1, report=False)


# ------------------------------------------------------------------------------------------ several processes


@contextlib.contextmanager
def killing(results: Path, lot_id: str, times: int) -> Iterator[list[int]]:
    """Kill the process that publishes a lot, `times` times, each a new one; give who was killed."""
    killed, over = [], threading.Event()

    def watch() -> None:
        while len(killed) < times and not over.is_set():
            time.sleep(0.01)
            with contextlib.suppress(OSError, ValueError):
                pid = json.loads((results / f".{lot_id}.lock").read_text())["pid"]
                if pid not in killed and (results / f".{lot_id}.partial").exists():
                    os.kill(pid, signal.SIGKILL)
                    killed.append(pid)

    thread = threading.Thread(target=watch)
    thread.start()
    try:
        yield killed
    finally:
        over.set()
        thread.join()


def test_a_killed_process_is_repeated(lots: Path, quiet: tuple, tmp_path: Path) -> None:
    """Two processes give the bytes of a plain loop, also where one is killed (SIGKILL) while it writes a lot."""
    results = tmp_path / "results"
    with killing(results, "S-2", 1) as killed:
        done = run_season(lots, results, jobs=2, report=False)
    assert len(killed) == 1
    assert states(done) == states(quiet[1])
    assert same_bytes(quiet[0], results)
    assert sorted(os.listdir(results)) == sorted(os.listdir(quiet[0]))


def test_a_lot_that_kills_its_process_each_time_fails_by_name(
    lots: Path, quiet: tuple, tmp_path: Path
) -> None:
    """A lot whose process dies three times is refused with exit code 5; the others are done, nothing half is left."""
    results = tmp_path / "results"
    with killing(results, "S-1", 9) as killed:
        done = run_season((lots / "lot1", lots / "lot2"), results, jobs=2, report=False)
    assert len(killed) == workers.DEATHS + 1
    assert states(done) == {"lot1": ("refused", 5), "lot2": ("done", 0)}
    assert "killed 3 times" in done.refused[0].error
    assert sorted(os.listdir(results)) == ["S-2", "run.json", "season.csv", "season.html"]
    assert same_bytes(results / "S-2", quiet[0] / "S-2")


def test_a_lot_that_takes_too_much_memory_fails_by_name(
    lots: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Processes over their share of memory are stopped, and the season ends with the lots' names."""
    import distributed.system

    monkeypatch.setattr(distributed.system, "MEMORY_LIMIT", 2 * 230_000_000)  # less than the libraries take
    done = run_season((lots / "lot1", lots / "lot2"), tmp_path / "results", jobs=2, report=False)
    assert set(states(done).values()) == {("refused", 5)}
    assert all("fewer --jobs" in outcome.error for outcome in done.refused)


def session(leader: int) -> list[str]:
    """Processes of a session that are alive."""
    alive = []
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            if os.getsid(int(folder.name)) == leader and ") Z " not in (folder / "stat").read_text():
                alive.append((folder / "cmdline").read_text().replace("\0", " "))
    return alive


def started(lots: Path, results: Path, *words: str) -> subprocess.Popen[str]:
    """Start a season as a command in a session of its own, and wait until it is writing its second lot."""
    command = [sys.executable, "-m", "thermosaic", "season", lots, "-o", results, "--no-report", *words]
    run = subprocess.Popen(
        [str(word) for word in command], start_new_session=True, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True, env=os.environ | {"TMPDIR": str(results.parent)},
    )  # fmt: skip
    for _ in range(6000):
        if (results / "S-2").exists() or (results / ".S-2.partial").exists() or run.poll() is not None:
            return run
        time.sleep(0.02)
    raise AssertionError("no second lot within two minutes")


STOPS = {
    "ctrl_c": (lambda run: os.killpg(run.pid, signal.SIGINT), 130),
    "terminated": (lambda run: run.send_signal(signal.SIGTERM), 143),
    "killed": (lambda run: run.kill(), -9),
}


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are listed by /proc")
@pytest.mark.parametrize("how", STOPS)
def test_a_season_that_is_stopped_goes_on_where_it_was(
    lots: Path, quiet: tuple, tmp_path: Path, how: str
) -> None:
    """Ctrl-C, SIGTERM and SIGKILL leave no process; a lot that is there is whole; the next call gives the same bytes.

    Exit codes of a shell's convention: 128 + number of the signal.
    """
    results, (stop, code) = tmp_path / "results", STOPS[how]
    run = started(lots, results, "--jobs", "2")
    stop(run)
    _, said = run.communicate(timeout=60)
    assert run.returncode == code
    assert "Traceback" not in said
    deadline = time.monotonic() + 20
    while session(run.pid) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert session(run.pid) == []
    if how != "killed":
        assert [name for name in os.listdir(results) if name not in IDS] == []
    assert [verify_result(results / name) for name in IDS if (results / name).exists()] == [
        [] for name in IDS if (results / name).exists()
    ]
    run_season(lots, results, jobs=1, report=False)
    assert same_bytes(quiet[0], results)
    assert sorted(os.listdir(results)) == sorted(os.listdir(quiet[0]))


def test_one_job_needs_no_dask(lots: Path, quiet: tuple, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the extra a plain loop works, and more is refused with the command that installs it."""
    real = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util,
        "find_spec",
        lambda name, *a: None if name in ("dask", "distributed") else real(name, *a),
    )
    assert run_season(lots, quiet[0], jobs=1, report=False).count("up to date") == 3
    with pytest.raises(ConfigError, match=r'pip install "thermosaic\[season\]".*--jobs 1'):
        run_season(lots, quiet[0].parent / "other", jobs=2, report=False)


def test_dask_is_loaded_only_where_processes_are_started(lots: Path, tmp_path: Path) -> None:
    """Looking at a season loads no Dask."""
    code = (
        "import sys; from thermosaic import run_season;"
        f"run_season([{str(lots)!r}], {str(tmp_path / 'results')!r}, dry_run=True);"
        "print([name for name in ('dask', 'distributed') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# ------------------------------------------------------------------------------------------------ a scheduler


@contextlib.contextmanager
def cluster(folder: Path, count: int) -> Iterator[object]:
    """Start a scheduler with `count` workers of one thread."""
    dask = pytest.importorskip("dask", reason="Dask is not installed")
    distributed = pytest.importorskip("distributed", reason="Dask is not installed")
    with (
        dask.config.set({"temporary-directory": str(folder)}),
        distributed.LocalCluster(
            n_workers=count, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, silence_logs=50,
            scheduler_kwargs={"dashboard_address": "127.0.0.1:0"}, local_directory=folder,
        ) as running,
    ):  # fmt: skip
        yield running


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Give the address of a scheduler that is running, with one worker."""
    with cluster(tmp_path_factory.mktemp("dask"), 1) as running:
        yield running.scheduler_address


def test_a_scheduler_gives_the_same_bytes(lots: Path, quiet: tuple, tmp_path: Path, scheduler: str) -> None:
    """A season through workers that somebody else started leaves the bytes of a plain loop."""
    done = run_season(lots, tmp_path / "results", scheduler=scheduler, report=False)
    assert states(done) == states(quiet[1])
    assert same_bytes(quiet[0], tmp_path / "results")


def test_workers_must_see_the_lots(tmp_path: Path, scheduler: str) -> None:
    """A lot that a worker does not see under its path stops the season with the path."""
    token = tmp_path / "token"
    token.write_text("here")
    with (
        pytest.raises(ConfigError, match=r"does not see .*nowhere: put the lots on a folder that all"),
        workers.scheduled(scheduler, None, token, (tmp_path / "nowhere",)),
    ):
        pass


def test_a_season_does_not_wait_for_ever(lots: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no worker is left for ten minutes (here a second) the season ends and says so."""
    monkeypatch.setattr(workers, "ALONE_S", 1.0)
    monkeypatch.setattr(workers, "LOOK_S", 0.2)
    task = one_lot.Task(season.lots.find_lots(lots / "lot1", tmp_path)[0], tmp_path)
    with cluster(tmp_path, 0) as running, running.get_client() as client:
        crew = workers.Crew(client, lambda: 0, 1, "nobody")
        with pytest.raises(ProductError, match="no worker is left"):
            list(workers.as_they_finish(crew, [task]))


FIT = {"threads": 1, "one_thread": True, "token": "here", "unseen": [], "writes": True}
UNFIT = {
    "token": ("another folder", "may not write"),
    "writes": (False, "may not write"),
    "unseen": (["/data/lot1"], "does not see /data/lot1"),
    "threads": (4, "runs 4 threads"),
    "one_thread": (False, "BLAS several"),
    "versions": ({"thermosaic": "0.0.1"}, "thermosaic 0.0.1, here is"),
}


@pytest.mark.parametrize("key", UNFIT)
def test_a_worker_that_does_not_fit_is_named(tmp_path: Path, key: str) -> None:
    """Another RESULTS under the same path, another version, several threads: each is told with the worker's address."""
    token = tmp_path / "token"
    token.write_text("here")
    found = FIT | {"versions": workers.plain(workers.versions())} | {key: UNFIT[key][0]}
    with pytest.raises(ConfigError, match=rf"worker tcp://10.0.0.7:4 .*{UNFIT[key][1]}"):
        workers._require_fit("tcp://10.0.0.5:8786", {"tcp://10.0.0.7:4": found}, token)


def test_a_scheduler_that_does_not_answer_is_named(
    lots: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No scheduler at the address: one line within the time it was given, exit code 2."""
    monkeypatch.setattr(workers, "WAIT_S", 4)
    done = thermosaic("season", lots / "lot1", "-o", tmp_path / "r", "--scheduler", "tcp://127.0.0.1:1")
    assert done.returncode == 2
    assert "--scheduler tcp://127.0.0.1:1: cannot be used" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


# --------------------------------------------------------------------------------------------------- the archive


@pytest.fixture(scope="module")
def archived(lots: Path, quiet: tuple) -> Path:
    """Give an archive to which the lots were added one by one; read it, never write into it."""
    for number in (3, 1, 2):
        archive.add(lots.parent / "by_hand", quiet[0] / f"S-{number}", lots / f"lot{number}")
    return lots.parent / "by_hand"


def test_each_lot_is_archived_with_its_logs(lots: Path, quiet: tuple, archived: Path, tmp_path: Path) -> None:
    """The archive of a season holds the bytes of one made by hand; a second call adds nothing."""
    for _ in range(2):
        done = run_season(lots, quiet[0], jobs=1, report=False, archive=tmp_path / "archive")
        assert [outcome.archived for outcome in done.outcomes] == [False, True, True, True, False]
        assert same_bytes(archived, tmp_path / "archive")
    assert archive.verify(tmp_path / "archive") == []


def test_what_the_archive_refuses_is_told_as_refused(own: tuple[Path, Path], archived: Path) -> None:
    """Other content under an archived revision is refused by the archive: exit code 4, though its result is done."""
    lots, results = own
    shutil.copytree(archived, lots.parent / "archive")
    CHANGES["lot.toml; rig"](lots / "lot1")
    done = run_season(lots, results, jobs=1, report=False, archive=lots.parent / "archive")
    assert list(states(done).values()) == [("refused", 4), ("up to date", 0), ("up to date", 0)]
    assert "not archived: RESULTS/S-1: this revision is archived with other content" in done.refused[0].error
    with (results / "season.csv").open(newline="", encoding="utf-8") as file:
        row = next(row for row in csv.DictReader(file) if row["lot_id"] == "S-1")
    assert (row["state"], row["exit_code"], row["profile_count"] > "0") == ("refused", "4", True)


# --------------------------------------------------------------------------------------------- command and page


def test_the_command_says_what_it_did(lots: Path, quiet: tuple, tmp_path: Path) -> None:
    """A line a lot on stdout, refusals on stderr, exit code 6 where there are any; a dry run writes nothing."""
    done = thermosaic("season", lots, "-o", quiet[0], "--no-report", "--jobs", "1")
    assert done.returncode == 6
    assert re.search(r"lot1 +S-1 +up to date +\d", done.stdout)
    assert "no_scan  no_scan  refused, exit 3" in done.stdout
    assert "5 lots: 3 up to date, 2 refused; see " in done.stdout
    assert re.search(r"refused: broken: broken/lot.toml:1: ", done.stderr)
    dry = thermosaic("season", lots / "lot1", lots / "lot2", "-o", tmp_path / "r", "--dry-run")
    assert dry.returncode == 0
    assert "2 lots: 2 to do; nothing written" in dry.stdout
    assert os.listdir(tmp_path) == []


def test_progress_counts_lots(lots: Path, quiet: tuple, caplog: pytest.LogCaptureFixture) -> None:
    """Each lot is one record with done and total; the steps of a lot are not told."""
    with caplog.at_level("INFO", logger="thermosaic"):
        run_season(lots, quiet[0], jobs=1, report=False)
    told = [(record.done, record.total) for record in caplog.records if hasattr(record, "total")]
    assert told == [(n, 5) for n in range(1, 6)]


def test_a_wrong_number_of_jobs_is_refused(lots: Path, tmp_path: Path) -> None:
    """There is no half season."""
    with pytest.raises(ConfigError, match="at least one"):
        run_season(lots / "lot1", tmp_path / "r", jobs=0)


def entries(quiet: tuple) -> list[season_table.Entry]:
    """Rows of the table as they are read from the results."""
    return [season_table.entry("done", quiet[0] / name, name) for name in IDS]


def test_a_superseded_lot_is_not_counted_again(quiet: tuple) -> None:
    """A lot that states that it supersedes another is named beside it, and the page's sums leave the other out."""
    first, second, third = entries(quiet)
    table = season_table.gather([first, replace(second, supersedes="S-1"), third])
    assert table.frame["superseded_by"].fillna("").tolist() == ["S-2", "", ""]
    page = season_page.page_text(table)
    assert "superseded by S-2" in page
    assert f"<dd>{second.row['zone_count'] + third.row['zone_count']}, " in page
    assert "<dd>2, paved " in page


def test_the_table_takes_the_units_that_all_lots_have(quiet: tuple) -> None:
    """Lots all delivered in US units give feet and square feet (1 ft = 0.3048 m); a mixed season stays SI."""
    foot = 0.3048  # NIST SP 811, exact
    american = [replace(item, reader=season_table.Reader("us", foot)) for item in entries(quiet)]
    table = season_table._delivered(season_table.gather(american))
    assert table["paved_ft"][0] == pytest.approx(american[0].row["paved_m"] / foot)
    assert table["speed_mean_ftpmin"][0] == pytest.approx(american[0].row["speed_mean_mps"] * 60 / foot)
    mixed = season_table._delivered(season_table.gather([*american[:1], *entries(quiet)[1:]]))
    assert "paved_m" in mixed


def test_a_damaged_result_of_an_earlier_call_is_named(own: tuple[Path, Path]) -> None:
    """A result that cannot be read is a refused row, and no other lot suffers."""
    lots, results = own
    (results / "S-3" / "lot.gpkg").write_bytes(b"")
    run_season(lots / "lot1", results, jobs=1, report=False)
    with (results / "season.csv").open(newline="", encoding="utf-8") as file:
        assert [row["state"] for row in csv.DictReader(file)] == ["done", "done", "refused"]


def test_the_page_leads_only_to_the_lots_own_pages(quiet: tuple) -> None:
    """The page asks for nothing; a reference to anything but a lot's page is found by its checker."""
    table = season_table.gather(entries(quiet))
    assert season_page.check_page(quiet[0], table) == []
    text = (quiet[0] / "season.html").read_text()
    spoilt = quiet[0].parent / "spoilt"
    spoilt.mkdir()
    (spoilt / "season.html").write_text(text.replace("<main>", '<main><a href="http://example.org">x</a>'))
    assert season_page.check_page(spoilt, table) == ["season.html: refers to http://example.org"]


def test_each_bar_is_as_long_as_its_profiles(quiet: tuple) -> None:
    """The boxes of a lot's bar are as wide as the profiles of each class, on one scale for all lots."""
    table = season_table.gather(entries(quiet))
    longest = max(table.frame["profile_count"])
    for row in table.frame.to_dict("records"):
        bar = str(season_page._bar(row, ("none", "moderate", "severe"), longest))
        wide = [float(text) for text in re.findall(r'<rect [^>]*width="([\d.]+)"[^>]*fill="#', bar)]
        counts = [row[f"class_{rank}_count"] for rank in range(3)] + [row["insufficient_count"]]
        assert wide == pytest.approx([n * season_page.BAR_PX / longest for n in counts if n], abs=0.06)


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 390)])
def test_axe_finds_no_fault_with_the_page(quiet: tuple, scheme: str, width: int) -> None:
    """axe-core (all its rules) finds nothing, wide in light and narrow in the dark."""
    assert_no_fault(quiet[0] / "season.html", color_scheme=scheme, viewport={"width": width, "height": 800})
