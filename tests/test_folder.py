"""The result folder is written whole or not at all.

POSIX.1-2017 (IEEE Std 1003.1), rename(), from memory: a folder may take the place of an empty one only, and a
rename is atomic. So a full folder is replaced by two renames, and each step of the swap is tested here.
"""

import errno
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

import siting
from siting.outputs import folder
from siting.outputs.folder import FolderError, beside, heal, write_folder

FIRST = {"layout.json": '{"n": 1}\n', "sites.csv": "id\na\n", "run.log": "first\n"}
SECOND = {"layout.json": '{"n": 2}\n', "sites.csv": "id\nb\n", "map.svg": "<svg/>\n", "run.log": "second\n"}


class Killed(BaseException):
    """Stands for a process that ends at this point: no code of ours may run after it."""


def content(path):
    return {str(p.relative_to(path)): p.read_text() for p in sorted(path.rglob("*")) if p.is_file()}


def around(path):
    return sorted(p.name for p in path.parent.iterdir())


def test_a_new_folder_holds_exactly_the_files_and_nothing_is_left_beside(tmp_path):
    target = tmp_path / "outputs" / "region" / "layout"
    paths = write_folder(target, FIRST)
    assert content(target) == FIRST
    assert list(paths) == [target / name for name in sorted(FIRST)]
    assert around(target) == ["layout"]


def test_a_second_result_replaces_the_first_whole(tmp_path):
    target = tmp_path / "r"
    write_folder(target, FIRST)
    write_folder(target, {k: v for k, v in SECOND.items() if k != "sites.csv"})
    assert content(target) == {k: v for k, v in SECOND.items() if k != "sites.csv"}, "no file of the first is left"
    assert around(target) == ["r"]


def test_files_in_subfolders_and_bytes_are_written_as_given(tmp_path):
    files = FIRST | {"figures/map.svg": "<svg>\u00e9</svg>", "figures/map.png": b"\x00\xff\r\n"}
    write_folder(tmp_path / "r", files)
    assert (tmp_path / "r/figures/map.png").read_bytes() == b"\x00\xff\r\n"
    assert (tmp_path / "r/figures/map.svg").read_bytes() == "<svg>\u00e9</svg>".encode()
    write_folder(tmp_path / "r", FIRST)
    assert content(tmp_path / "r") == FIRST


KILLER = """
import os, signal, sys
from pathlib import Path
from siting.outputs import folder
step, target = int(sys.argv[1]), Path(sys.argv[2])
count = 0
def maybe_die(function):
    def inner(*args, **kwargs):
        global count
        count += 1
        if count == step:
            os.kill(os.getpid(), signal.SIGKILL)
        return function(*args, **kwargs)
    return inner
os.replace = maybe_die(os.replace)
folder.shutil.rmtree = maybe_die(folder.shutil.rmtree)
Path.mkdir = maybe_die(Path.mkdir)
Path.write_bytes = maybe_die(Path.write_bytes)
folder.write_folder(target, {"layout.json": "new", "sites.csv": "new"})
print(count)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this system")
def test_a_run_killed_at_any_step_leaves_a_whole_result_and_the_next_run_heals_it(tmp_path):
    env = os.environ | {"PYTHONPATH": str(Path(siting.__file__).parents[1])}
    killed_between = 0
    old, new = {"layout.json": "old", "sites.csv": "old"}, {"layout.json": "new", "sites.csv": "new"}
    for step in range(1, 20):
        target = tmp_path / f"k{step}" / "r"
        write_folder(target, old)
        done = subprocess.run(
            [sys.executable, "-c", KILLER, str(step), str(target)], env=env, capture_output=True, check=False
        )
        if done.returncode == 0:
            break
        assert done.returncode == -signal.SIGKILL
        _, aside = beside(target)
        # Whatever the moment, one whole result exists: in its place, or aside for the blink between two renames.
        if target.exists():
            assert content(target) in (old, new), step
        else:
            killed_between += 1
            assert content(aside) == old, step
        heal(target)
        assert content(target) in (old, new), step
        assert around(target) == ["r"], step
        write_folder(target, SECOND)
        assert content(target) == SECOND, step
        assert around(target) == ["r"], step
    else:
        pytest.fail("the writing never came to its end")
    assert killed_between == 1, "exactly one step lies between the two renames"


@pytest.mark.parametrize("failing", [1, 2])
def test_a_rename_that_fails_leaves_the_old_result_and_says_so_plainly(tmp_path, monkeypatch, failing):
    target = tmp_path / "r"
    write_folder(target, FIRST)
    real, calls = os.replace, []

    def replace(a, b):
        calls.append((a, b))
        if len(calls) == failing:
            raise PermissionError(errno.EACCES, "Permission denied")
        real(a, b)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(FolderError, match=r"cannot be written: Permission denied.*--out"):
        write_folder(target, SECOND)
    assert content(target) == FIRST
    assert around(target) == ["r"]


def test_a_full_disk_leaves_the_old_result_and_nothing_beside(tmp_path, monkeypatch):
    target = tmp_path / "r"
    write_folder(target, FIRST)
    real = Path.write_bytes

    def write_bytes(self, data):
        if self.name == "sites.csv":
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(self, data)

    monkeypatch.setattr(Path, "write_bytes", write_bytes)
    with pytest.raises(FolderError, match="No space left on device"):
        write_folder(target, SECOND)
    assert content(target) == FIRST
    assert around(target) == ["r"]


def test_a_failed_first_run_leaves_no_empty_folders(tmp_path, monkeypatch):
    def write_bytes(self, data):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", write_bytes)
    with pytest.raises(FolderError):
        write_folder(tmp_path / "outputs" / "region" / "r", FIRST)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("stop", [KeyboardInterrupt, Killed])
@pytest.mark.parametrize("at", ["replace", "write_bytes"])
def test_ctrl_c_while_writing_leaves_the_old_result_and_nothing_beside(tmp_path, monkeypatch, stop, at):
    target = tmp_path / "r"
    write_folder(target, FIRST)
    real, calls = getattr(os if at == "replace" else Path, at), []

    def interrupted(*args):
        calls.append(args)
        if len(calls) == 2:
            raise stop
        return real(*args)

    monkeypatch.setattr(os if at == "replace" else Path, at, interrupted)
    with pytest.raises(stop):
        write_folder(target, SECOND)
    assert content(target) == FIRST
    assert around(target) == ["r"]


@pytest.mark.parametrize(
    ("in_place", "aside", "fresh", "expected"),
    [
        (FIRST, None, None, FIRST),
        (FIRST, None, {"layout.json": "half"}, FIRST),  # killed while the new files were written
        (None, FIRST, SECOND, FIRST),  # killed between the two renames
        (SECOND, FIRST, None, SECOND),  # killed before the old one was deleted
        (SECOND, {"sites.csv": "half deleted"}, None, SECOND),
        (None, None, {"layout.json": "half"}, None),  # a first run, killed
    ],
)
def test_every_half_made_swap_is_healed(tmp_path, in_place, aside, fresh, expected):
    target = tmp_path / "r"
    for path, files in zip((target, *reversed(beside(target))), (in_place, aside, fresh), strict=True):
        if files is not None:
            path.mkdir()
            for name, text in files.items():
                (path / name).write_text(text)
    heal(target)
    assert target.exists() == (expected is not None)
    if expected is not None:
        assert content(target) == expected
    assert [name for name in os.listdir(tmp_path) if name != "r"] == []


def test_a_folder_with_foreign_files_is_refused_and_named(tmp_path):
    target = tmp_path / "notes"
    target.mkdir()
    (target / "thesis.docx").write_text("years of work")
    with pytest.raises(FolderError, match=r"not replaced, for it holds thesis\.docx.*--out"):
        write_folder(target, FIRST)
    assert content(target) == {"thesis.docx": "years of work"}
    assert around(target) == ["notes"]


def test_a_result_folder_into_which_somebody_put_a_file_is_refused(tmp_path):
    target = tmp_path / "r"
    write_folder(target, FIRST)
    (target / "my notes.txt").write_text("mine")
    with pytest.raises(FolderError, match=r"my notes\.txt"):
        write_folder(target, SECOND)
    assert content(target) == FIRST | {"my notes.txt": "mine"}


def test_a_table_that_is_open_elsewhere_is_refused(tmp_path):
    # Common practice, no single source: office programs put a lock file beside the table that is open.
    target = tmp_path / "r"
    write_folder(target, FIRST)
    (target / ".~lock.sites.csv#").write_text("somebody")
    with pytest.raises(FolderError, match="lock"):
        write_folder(target, SECOND)
    assert content(target)["layout.json"] == FIRST["layout.json"]


def test_a_folder_of_usual_names_without_layout_json_is_not_ours(tmp_path):
    target = tmp_path / "r"
    target.mkdir()
    (target / "sites.csv").write_text("somebody's sites")
    with pytest.raises(FolderError, match=r"files but no layout\.json"):
        write_folder(target, FIRST)
    assert content(target) == {"sites.csv": "somebody's sites"}


def test_droppings_of_file_managers_do_not_stand_in_the_way(tmp_path):
    target = tmp_path / "r"
    write_folder(target, FIRST)
    (target / ".DS_Store").write_bytes(b"\x00")
    write_folder(target, SECOND)
    assert content(target) == SECOND


def test_an_empty_folder_is_taken(tmp_path):
    target = tmp_path / "r"
    target.mkdir()
    write_folder(target, FIRST)
    assert content(target) == FIRST


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path):
    target = tmp_path / "r"
    target.write_text("a file")
    with pytest.raises(FolderError, match=r"is a file; allowed: .*; mend: name a folder with --out"):
        write_folder(target, FIRST)
    assert target.read_text() == "a file"
    assert around(target) == ["r"]


def test_a_file_in_the_place_of_a_folder_above_is_a_plain_error(tmp_path):
    (tmp_path / "outputs").write_text("a file")
    with pytest.raises(FolderError, match="cannot be written"):
        write_folder(tmp_path / "outputs" / "r", FIRST)
    assert (tmp_path / "outputs").read_text() == "a file"


def test_a_folder_that_cannot_be_written_is_a_plain_error(tmp_path, monkeypatch):
    real = Path.mkdir

    def mkdir(self, *args, **kwargs):
        if self.parent.name == "locked":
            raise PermissionError(errno.EACCES, "Permission denied")
        real(self, *args, **kwargs)

    (tmp_path / "locked").mkdir()
    monkeypatch.setattr(Path, "mkdir", mkdir)
    with pytest.raises(FolderError, match=r"Permission denied; allowed: .*; mend: close programs that use it"):
        write_folder(tmp_path / "locked" / "r", FIRST)
    assert list((tmp_path / "locked").iterdir()) == []


def test_an_old_result_that_cannot_be_deleted_does_not_spoil_the_new_one(tmp_path, monkeypatch):
    target = tmp_path / "r"
    write_folder(target, FIRST)
    real = shutil.rmtree

    def rmtree(path, *args, ignore_errors=False, **kwargs):
        if str(path).endswith("-old") and locked:
            if ignore_errors:
                return
            raise PermissionError(errno.EACCES, "in use")
        real(path, *args, ignore_errors=ignore_errors, **kwargs)

    locked = True
    monkeypatch.setattr(folder.shutil, "rmtree", rmtree)
    write_folder(target, SECOND)
    assert content(target) == SECOND
    with pytest.raises(FolderError, match="in use"):
        write_folder(target, FIRST)
    assert content(target) == SECOND
    locked = False
    write_folder(target, FIRST)
    assert content(target) == FIRST
    assert around(target) == ["r"]


def test_a_link_to_a_folder_stays_a_link(tmp_path):
    (tmp_path / "disk").mkdir()
    write_folder(tmp_path / "disk" / "real", FIRST)
    (tmp_path / "link").symlink_to(tmp_path / "disk" / "real")
    write_folder(tmp_path / "link", SECOND)
    assert (tmp_path / "link").is_symlink()
    assert content(tmp_path / "disk" / "real") == SECOND
    assert sorted(os.listdir(tmp_path)) == ["disk", "link"]
    assert os.listdir(tmp_path / "disk") == ["real"]


def test_the_current_folder_and_those_above_are_refused(tmp_path, monkeypatch):
    here = tmp_path / "work" / "deep"
    here.mkdir(parents=True)
    monkeypatch.chdir(here)
    for target in (Path("."), Path(".."), Path("/")):
        with pytest.raises(FolderError, match="the folder you work in, or above it"):
            write_folder(target, FIRST)
    assert here.is_dir()
    assert os.listdir(here) == []


def test_a_folder_of_the_user_with_one_of_our_passing_names_is_not_deleted(tmp_path):
    target = tmp_path / "r"
    for path in beside(target):
        path.mkdir()
        (path / "precious.txt").write_text("mine")
        with pytest.raises(FolderError, match=r"precious\.txt; .*move that elsewhere"):
            write_folder(target, FIRST)
        assert (path / "precious.txt").read_text() == "mine"
        shutil.rmtree(path)


def test_a_reader_never_sees_a_half_written_result(tmp_path):
    # A process that writes results over and over is watched from outside: each look finds one whole result.
    target = tmp_path / "r"
    write_folder(target, dict.fromkeys(("layout.json", "sites.csv", "map.svg"), "0"))
    loop = """
import sys
from pathlib import Path
from siting.outputs.folder import write_folder
for n in range(1, 200):
    write_folder(Path(sys.argv[1]), dict.fromkeys(("layout.json", "sites.csv", "map.svg"), str(n)))
"""
    env = os.environ | {"PYTHONPATH": str(Path(siting.__file__).parents[1])}
    with subprocess.Popen([sys.executable, "-c", loop, str(target)], env=env) as writer:
        seen = set()
        while writer.poll() is None:
            try:
                handle = os.open(target, os.O_RDONLY)
            except FileNotFoundError:
                continue  # the blink between the two renames
            try:
                texts = set()
                for name in ("layout.json", "sites.csv", "map.svg"):
                    file = os.open(name, os.O_RDONLY, dir_fd=handle)
                    texts.add(os.read(file, 10))
                    os.close(file)
                assert len(texts) == 1
                seen |= texts
            except FileNotFoundError:
                pass  # it was replaced and deleted while we looked
            finally:
                os.close(handle)
            time.sleep(0)
    assert writer.returncode == 0
    assert len(seen) > 1
    assert content(target)["sites.csv"] == "199"


WRITER = """
import sys, time
from pathlib import Path
from siting.outputs.folder import write_folder
mark, target, until = sys.argv[1], Path(sys.argv[2]), float(sys.argv[3])
files = {f"figures/signals-{k}.svg": mark * 1000 for k in range(40)} | {"layout.json": mark}
time.sleep(max(0.0, until - time.time()))
for _ in range(15):
    write_folder(target, files)
"""


def test_two_runs_that_write_one_folder_at_once_leave_one_whole_result(tmp_path):
    target, begin = tmp_path / "r", time.time() + 2.0
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, mark, str(target), str(begin)], stderr=subprocess.PIPE, encoding="utf-8"
        )
        for mark in "ab"
    ]
    for writer in writers:
        _, said = writer.communicate(timeout=120)
        assert writer.returncode == 0, said
    found = content(target)
    assert len(found) == 41
    assert {text[:1] for text in found.values()} in ({"a"}, {"b"}), "all files of one run"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["r"]


def test_a_run_that_waits_too_long_for_another_says_so(tmp_path, monkeypatch):
    monkeypatch.setattr(folder, "MOST_WAIT", 0.2)
    said = []

    def other():
        try:
            write_folder(tmp_path / "r", FIRST)
        except FolderError as error:
            said.append(str(error))

    with folder.alone(tmp_path / "r"):
        write_folder(tmp_path / "r", FIRST)  # the same thread may go in again
        thread = threading.Thread(target=other)
        thread.start()
        thread.join()
    assert "being written by another run" in said[0]


@pytest.mark.parametrize("name", ["figures/mine.svg", "tables/letter.docx", "sheets/notes.txt", "figures/sub/x.svg"])
def test_a_foreign_file_inside_a_folder_of_a_result_is_never_deleted(tmp_path, name):
    write_folder(tmp_path / "r", FIRST | {"figures/map.svg": "x", "tables/sites.md": "x"})
    mine = tmp_path / "r" / name
    mine.parent.mkdir(parents=True, exist_ok=True)
    mine.write_text("mine")
    with pytest.raises(FolderError, match="not replaced"):
        write_folder(tmp_path / "r", FIRST)
    assert mine.read_text() == "mine"


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_a_link_in_place_of_the_figures_is_refused(tmp_path):
    write_folder(tmp_path / "r", FIRST)
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "r" / "figures").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(FolderError, match="a link"):
        write_folder(tmp_path / "r", FIRST)
