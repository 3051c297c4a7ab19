"""A result is absent or whole at any time, and nothing that is not ours is touched."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from thermosaic.errors import ConfigError, ProductError
from thermosaic.files import publishing
from thermosaic.files.manifest import sha256_of, write_json

CHILD = Path(__file__).with_name("publish_and_die.py")


def fill(folder: Path, word: str) -> None:
    """Write two small products and the manifest that lists them."""
    (folder / "tiles").mkdir()
    for name in ("lot.txt", "tiles/one.txt"):
        (folder / name).write_text(word * 1000)
    products = [{"path": name, "sha256": sha256_of(folder / name)} for name in ("lot.txt", "tiles/one.txt")]
    write_json(folder / "manifest.json", {"program": "thermosaic", "products": products})
    write_json(folder / "run.json", {})


def publish(result: Path, word: str, overwrite: bool = False) -> None:
    """Publish a small result."""
    with publishing.publication(result, overwrite) as folder:
        fill(folder, word)


def word_of(result: Path) -> str | None:
    """Return the word of a whole result, None where there is none; fail where it is partial."""
    if not result.exists():
        return None
    listed = json.loads((result / "manifest.json").read_text())["products"]
    assert all(sha256_of(result / item["path"]) == item["sha256"] for item in listed)
    words = {(result / item["path"]).read_text()[:3] for item in listed}
    assert len(listed) == 2
    assert len(words) == 1
    return words.pop()


def names(folder: Path) -> set[str]:
    """Names directly in a folder."""
    return {path.name for path in folder.iterdir()}


def test_a_result_appears_whole_and_nothing_is_left_beside_it(tmp_path: Path) -> None:
    """Publishing leaves the result alone in its parent folder."""
    publish(tmp_path / "result", "one")
    assert word_of(tmp_path / "result") == "one"
    assert names(tmp_path) == {"result"}


def test_an_error_while_building_leaves_no_result(tmp_path: Path) -> None:
    """A failed check, or an interrupt, leaves the folder as it was."""

    def build(error: BaseException) -> None:
        with publishing.publication(tmp_path / "result", False) as folder:
            fill(folder, "one")
            raise error

    for error in (ProductError("no"), KeyboardInterrupt()):
        with pytest.raises(type(error)):
            build(error)
        assert names(tmp_path) == set()


def test_an_existing_result_is_kept_without_overwrite(tmp_path: Path) -> None:
    """Without --overwrite an older result stays and the run stops as a matter of usage."""
    publish(tmp_path / "result", "one")
    with pytest.raises(ConfigError, match="--overwrite"):
        publish(tmp_path / "result", "two")
    assert word_of(tmp_path / "result") == "one"


@pytest.mark.parametrize("exchange", [True, False], ids=["exchange", "two renames"])
def test_overwrite_replaces_the_older_result(
    tmp_path: Path, exchange: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With --overwrite the new result takes the name, with and without the system's exchange of folders."""
    if not exchange:
        monkeypatch.setattr(publishing, "exchange", lambda first, second: False)
    publish(tmp_path / "result", "one")
    publish(tmp_path / "result", "two", overwrite=True)
    assert word_of(tmp_path / "result") == "two"
    assert names(tmp_path) == {"result"}


def test_a_failed_overwrite_keeps_the_older_result(tmp_path: Path) -> None:
    """An error while the new result is built leaves the older one whole."""
    publish(tmp_path / "result", "one")
    with pytest.raises(ProductError), publishing.publication(tmp_path / "result", True):
        raise ProductError("a product failed its own check")
    assert word_of(tmp_path / "result") == "one"


def test_foreign_files_are_never_touched(tmp_path: Path) -> None:
    """A folder with a file that the manifest does not list is refused and named, also with --overwrite."""
    publish(tmp_path / "result", "one")
    (tmp_path / "result" / "notes.docx").write_text("mine")
    with pytest.raises(ProductError, match=r"notes\.docx"):
        publish(tmp_path / "result", "two", overwrite=True)
    assert (tmp_path / "result" / "notes.docx").read_text() == "mine"
    assert word_of(tmp_path / "result") == "one"


def test_a_folder_of_something_else_is_refused(tmp_path: Path) -> None:
    """A folder without a manifest of ours is not ours, even where its files carry our names."""
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "run.json").write_text("{}")
    with pytest.raises(ProductError, match="did not write"):
        publish(tmp_path / "photos", "one", overwrite=True)


@pytest.mark.parametrize("overwrite", [False, True])
def test_a_file_or_link_is_refused(tmp_path: Path, overwrite: bool) -> None:
    """A file, a link to a folder and a dangling link are refused and stay."""
    (tmp_path / "file").write_text("mine")
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to("folder")
    (tmp_path / "dangling").symlink_to("nowhere")
    for name in ("file", "link", "dangling"):
        with pytest.raises(ProductError, match="file or a link"):
            publish(tmp_path / name, "one", overwrite)
    assert names(tmp_path) == {"file", "folder", "link", "dangling"}


def test_a_missing_parent_is_named(tmp_path: Path) -> None:
    """The parent folder is not made silently: a misspelt path would publish in the wrong place."""
    with pytest.raises(ProductError, match="nowhere: is no folder"):
        publish(tmp_path / "nowhere" / "result", "one")


def test_the_older_result_comes_back_first(tmp_path: Path) -> None:
    """RESULT.old alone, left by a run killed between two renames, is RESULT again before anything else."""
    publish(tmp_path / "result", "one")
    os.rename(tmp_path / "result", tmp_path / "result.old")
    with pytest.raises(ConfigError):
        publish(tmp_path / "result", "two")
    assert word_of(tmp_path / "result") == "one"
    assert names(tmp_path) == {"result"}


def test_a_foreign_folder_called_old_stays(tmp_path: Path) -> None:
    """RESULT.old that this program did not publish is neither brought back nor removed."""
    (tmp_path / "result.old").mkdir()
    (tmp_path / "result.old" / "mine.txt").write_text("mine")
    publish(tmp_path / "result", "one")
    publish(tmp_path / "result", "two", overwrite=True)
    assert (tmp_path / "result.old" / "mine.txt").read_text() == "mine"
    assert word_of(tmp_path / "result") == "two"


def test_a_second_run_is_told_who_holds_the_lock(tmp_path: Path) -> None:
    """Two runs into one result: the second stops and names process, host and time of the first."""
    with publishing.publication(tmp_path / "result", False) as folder:
        with pytest.raises(
            ProductError, match=rf"locked by process {os.getpid()} on \S+ since \d{{4}}-\d\d-\d\dT"
        ):
            publish(tmp_path / "result", "two")
        fill(folder, "one")
    assert word_of(tmp_path / "result") == "one"


def test_the_lock_of_a_dead_process_is_taken_over(tmp_path: Path) -> None:
    """A lock file and a half-built folder left by a killed run do not stop the next."""
    (tmp_path / ".result.lock").write_text('{"pid": 1, "host": "elsewhere", "since": "2026-01-01T00:00:00"}')
    (tmp_path / ".result.partial" / "tiles").mkdir(parents=True)
    publish(tmp_path / "result", "one")
    assert names(tmp_path) == {"result"}


def test_too_little_space_is_said_before_starting(tmp_path: Path) -> None:
    """The estimate of needed space is compared with what is free, in megabytes, and nothing is built."""
    with (
        pytest.raises(ProductError, match=r"are needed and [\d,]+ MB are free"),
        publishing.publication(tmp_path / "result", False, needed_bytes=10**18),
    ):
        raise AssertionError("must not start")
    assert names(tmp_path) == set()


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EROFS])
def test_what_the_disk_refuses_is_one_plain_line(tmp_path: Path, number: int) -> None:
    """Disk full, quota, file too large, input/output error, read-only: the folder is named, nothing left."""
    with pytest.raises(ProductError, match=str(tmp_path)), publishing.publication(tmp_path / "result", False):
        raise OSError(number, os.strerror(number))
    assert names(tmp_path) == set()


def test_a_full_disk_at_any_write_leaves_nothing(tmp_path: Path) -> None:
    """With a real limit on file size (EFBIG) the run ends as a product error, and nothing is final."""
    code = (
        "import resource, signal, sys; from pathlib import Path\n"
        "from thermosaic.files.publishing import publication; from thermosaic.errors import ProductError\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))\n"
        "try:\n"
        "    with publication(Path(sys.argv[1]), False) as folder:\n"
        "        (folder / 'big').write_bytes(bytes(100_000))\n"
        "except ProductError as error: print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "result")], capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith(str(tmp_path))
    assert "too large" in done.stdout
    assert names(tmp_path) == set()


@pytest.mark.parametrize("way", ["exchange", "renames"])
def test_killed_at_any_step_the_result_is_absent_or_whole(tmp_path: Path, way: str) -> None:
    """SIGKILL at the first, second, third .. system step of an overwrite: one of the two results, whole.

    The method is that of SQLite's own tests: fail the N-th call for N = 1, 2, 3 .. until the run completes.
    Where folders cannot be exchanged RESULT may be absent, and the next run brings the older one back.
    """
    report = subprocess.run(
        [sys.executable, str(CHILD), str(tmp_path), way], capture_output=True, text=True, check=True
    )
    steps = int(report.stdout)
    assert steps > 20
    for step in range(1, steps + 1):
        parent = tmp_path / str(step)
        found = word_of(parent / "result")
        if found is None:
            assert way == "renames"
            assert word_of(parent / "result.old") == "one"
        assert found in ("one", "two", None)
        with pytest.raises(ConfigError):
            publish(parent / "result", "six")
        publish(parent / "result", "six", overwrite=True)
        assert word_of(parent / "result") == "six"
        assert names(parent) == {"result"}


def test_files_are_on_the_disk_before_the_rename(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every file and folder is fsynced before RESULT gets its name, the parent after it."""
    calls: list[str] = []

    def noted(name: str, real: Callable) -> Callable:
        def call(*arguments: object) -> object:
            target = os.readlink(f"/proc/self/fd/{arguments[0]}") if name == "fsync" else str(arguments[1])
            calls.append(f"{name} {Path(target).name}")
            return real(*arguments)

        return call

    monkeypatch.setattr(os, "fsync", noted("fsync", os.fsync))
    monkeypatch.setattr(os, "rename", noted("rename", os.rename))
    publish(tmp_path / "result", "one")
    at = calls.index("rename result")
    before = {
        "fsync lot.txt",
        "fsync one.txt",
        "fsync tiles",
        "fsync manifest.json",
        "fsync run.json",
        "fsync .result.partial",
    }
    assert before <= set(calls[:at])
    assert calls[at + 1 :] == [f"fsync {tmp_path.name}"]
