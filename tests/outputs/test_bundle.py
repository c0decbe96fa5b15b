"""The folder of results: whole or untouched, whatever kills the run; what is not ours stays."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import pytest

from barrierrank.outputs import bundle, folder
from barrierrank.outputs import map as maps
from barrierrank.outputs.bundle import OutputError, check_out_dir, is_ours, write_bundle
from barrierrank.outputs.exchange import exchange, hold

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
NAMES = {"priority_list.csv", "priority_list.xlsx", "cautions.txt", "results.gpkg", "map.html", "run.json"}
NAMES |= {"blocked_lamprey.png"}


@pytest.fixture(scope="module")
def model(small_model):
    whole = small_model(n_reaches=40, n_sites=6)
    run = {"version": "0.1.0", "timings": {"read": 1.0}}
    return dataclasses.replace(whole, species=whole.species[:1], run=run)


@pytest.fixture(autouse=True)
def quick(request, monkeypatch):
    """Small stand-ins for the slow writers where only the folder is looked at."""
    if request.node.get_closest_marker("slow") is None:
        _stand_in(monkeypatch.setattr)


def _stand_in(replace):
    def picture(folder, model):
        path = folder / "blocked_lamprey.png"
        path.write_text(model.basin)
        return [path]

    replace(bundle, "write_blocked_maps", picture)
    for place, name in ((bundle, "write_xlsx"), (maps, "write_map")):
        replace(place, name, lambda path, model: path.write_text(model.basin))


def _named(model, name):
    return dataclasses.replace(model, basin=name, run={**model.run, "mark": name})


def _mark(folder):
    """Check that the folder is one whole set and return whose: each file has the hash run.json tells."""
    record = json.loads((folder / "run.json").read_text("utf-8"))
    for output in record["outputs"]:
        assert hashlib.sha256((folder / output["path"]).read_bytes()).hexdigest() == output["sha256"]
    return record["mark"]


def _left_over(folder):
    return [p.name for p in folder.iterdir() if "barrierrank" in p.name]


@pytest.mark.slow
def test_every_output_is_written_and_told(model, tmp_path):
    told = []
    paths = write_bundle(tmp_path / "deep" / "results", _named(model, "first"), progress=told.append)
    out = tmp_path / "deep" / "results"
    assert {p.name for p in out.iterdir()} == NAMES
    assert {p.name for p in paths if p.is_file()} == NAMES
    assert _mark(out) == "first"
    record = json.loads((out / "run.json").read_text("utf-8"))
    assert {o["path"] for o in record["outputs"]} == NAMES - {"run.json"}
    assert record["timings"]["read"] == 1.0
    assert "write results.gpkg" in record["timings"]
    assert (told[0], told[-1]) == ("priority_list.csv", "run.json")
    assert _left_over(out.parent) == []


def test_a_second_run_replaces_ours_and_keeps_what_is_not_ours(model, tmp_path):
    out = tmp_path / "results"
    write_bundle(out, _named(model, "first"))
    (out / "notes.txt").write_text("mine")
    (out / "project").mkdir()
    (out / "project" / "deep.qgz").write_text("deep")
    (out / "link").symlink_to("notes.txt")
    (out / "blocked_burbot.png").write_text("species of an earlier run")
    (out / "results.gpkg-wal").write_text("of the old database")
    out.chmod(0o750)
    inode = (out / "notes.txt").stat().st_ino
    write_bundle(out, _named(model, "second"))
    assert _mark(out) == "second"
    assert {p.name for p in out.iterdir()} == NAMES | {"notes.txt", "project", "link"}
    assert (out / "notes.txt").read_text() == "mine"
    assert (out / "notes.txt").stat().st_ino == inode  # the file itself, not a copy
    assert (out / "project" / "deep.qgz").read_text() == "deep"
    assert (out / "link").is_symlink()
    assert out.stat().st_mode & 0o777 == 0o750
    assert _left_over(tmp_path) == []


def test_ours_are_told_from_others():
    for name in (*NAMES, "results.gpkg-journal", "blocked_brook_trout.png"):
        assert is_ours(name)
    for name in ("notes.txt", "results.qgz", "blocked_.png", "blocked_A.png", "x_results.gpkg-wal"):
        assert not is_ours(name)


class _Killed(BaseException):
    """What a kill is to Python code: nothing catches it."""


# Every step that changes the disk, in both ways of swapping; each is cut off before and after.
STEPS = ["write_csv", "write_xlsx", "write_cautions", "write_geopackage", "write_blocked_maps", "write_record"]
STEPS += ["keep_others", "swap"]


@pytest.mark.parametrize("after", [False, True])
@pytest.mark.parametrize("step", STEPS)
def test_a_failure_at_any_step_leaves_one_whole_set(model, tmp_path, monkeypatch, step, after):
    out = tmp_path / "results"
    write_bundle(out, _named(model, "old"))
    (out / "notes.txt").write_text("mine")
    owner = bundle if hasattr(bundle, step) else folder
    real = getattr(owner, step)

    def cut(*args, **options):
        if after:
            real(*args, **options)
        raise _Killed

    with monkeypatch.context() as m:
        m.setattr(owner, step, cut)
        with pytest.raises(_Killed):
            write_bundle(out, _named(model, "new"))
    assert _mark(out) == ("new" if step == "swap" and after else "old")
    assert (out / "notes.txt").read_text() == "mine"
    write_bundle(out, _named(model, "third"))
    assert _mark(out) == "third"
    assert (out / "notes.txt").read_text() == "mine"
    assert _left_over(tmp_path) == []


# A process that dies for good (os._exit runs no cleaning up) at the call of the given number of one function.
DIE = """
    import dataclasses, os, shutil, sys
    from pathlib import Path
    sys.path[:0] = [{root!r}, {here!r}]
    from model_fixture import small_model
    from barrierrank.outputs import bundle, folder
    from test_bundle import _stand_in
    whole = small_model(n_reaches=40, n_sites=6)
    model = dataclasses.replace(whole, species=whole.species[:1], basin="new", run={{"mark": "new"}})
    _stand_in(setattr)
    owner, name, call, plain = {owner}, {name!r}, {call}, {plain}
    if plain:
        folder.exchange = lambda a, b: False
    real, seen = getattr(owner, name), []
    def dying(*args, **options):
        seen.append(1)
        if len(seen) == call:
            os._exit(9)
        return real(*args, **options)
    setattr(owner, name, dying)
    bundle.write_bundle(Path({out!r}), model)
    os._exit(8)
"""


@pytest.mark.parametrize(
    ("owner", "name", "call", "plain", "left"),
    [
        ("bundle", "write_geopackage", 1, False, "old"),
        ("folder", "exchange", 1, False, "old"),
        ("shutil", "rmtree", 1, False, "new"),  # exchanged, old one not yet deleted
        ("Path", "rename", 1, True, "old"),
        ("Path", "rename", 2, True, None),  # the old one is aside, the new one not in yet
        ("shutil", "rmtree", 1, True, "new"),
    ],
)
def test_a_process_that_dies_leaves_one_whole_set_and_the_next_start_clears_up(
    model, tmp_path, owner, name, call, plain, left
):
    out = tmp_path / "results"
    write_bundle(out, _named(model, "old"))
    (out / "notes.txt").write_text("mine")
    script = _dying(out, owner, name, call, plain)
    done = subprocess.run([sys.executable, "-B", "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 9, done.stderr
    if left is None:
        assert not out.exists()
        assert _mark(tmp_path / ".results.barrierrank-old") == "old"
        with pytest.raises(_Killed):  # brought back before anything new is written
            _start_and_stop(out, model)
        assert _mark(out) == "old"
    else:
        assert _mark(out) == left
    assert (out / "notes.txt").read_text() == "mine"
    write_bundle(out, _named(model, "third"))
    assert _mark(out) == "third"
    assert (out / "notes.txt").read_text() == "mine"
    assert _left_over(tmp_path) == []


def _dying(out, owner, name, call, plain):
    places = {"root": str(ROOT), "here": str(HERE), "out": str(out)}
    return textwrap.dedent(DIE.format(**places, owner=owner, name=name, call=call, plain=plain))


def _start_and_stop(out, model):
    def stop(_name):
        raise _Killed

    write_bundle(out, model, progress=stop)


def test_a_kill_at_any_moment(model, tmp_path):
    """Signal 9 from outside, at moments spread over the run."""
    out = tmp_path / "results"
    write_bundle(out, _named(model, "old"))
    script = _dying(out, "folder", "swap", 99, False)
    script = script.replace("bundle.write_bundle(", "print('go', flush=True)\nbundle.write_bundle(")
    for wait in (0.02, 0.06, 0.12, 0.2):
        with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout.readline() == "go\n"
            time.sleep(wait)
            process.send_signal(signal.SIGKILL)
        assert _mark(out) in ("old", "new")
    write_bundle(out, _named(model, "third"))
    assert _mark(out) == "third"
    assert _left_over(tmp_path) == []


def test_the_folder_is_there_at_every_moment(model, tmp_path):
    """A reader that looks all the time while results are written again and again always finds the folder."""
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    if not exchange(tmp_path / "a", tmp_path / "b"):
        pytest.skip("this system cannot exchange folders in one step")
    out = tmp_path / "results"
    write_bundle(out, _named(model, "old"))
    absent, looks, done = [], [], threading.Event()

    def look():
        while not done.is_set():
            looks.append(1)
            if not out.is_dir():
                absent.append(1)

    reader = threading.Thread(target=look)
    reader.start()
    for _ in range(5):
        write_bundle(out, _named(model, "new"))
    done.set()
    reader.join()
    assert len(looks) > 100
    assert not absent
    assert _mark(out) == "new"


def _cannot(_a, _b):
    return False


def test_without_a_swap_in_one_step_two_renames_do(model, tmp_path, monkeypatch):
    monkeypatch.setattr(folder, "exchange", _cannot)
    out = tmp_path / "results"
    for name in ("first", "second"):
        write_bundle(out, _named(model, name))
        assert _mark(out) == name
    assert _left_over(tmp_path) == []


def test_a_new_folder_that_cannot_be_put_in_place_brings_the_old_one_back(model, tmp_path, monkeypatch):
    out = tmp_path / "results"
    write_bundle(out, _named(model, "old"))
    monkeypatch.setattr(folder, "exchange", _cannot)
    real = Path.rename

    def fail(self, target):
        if self.name.endswith("-new"):
            raise PermissionError(13, "in use by another program")
        return real(self, target)

    monkeypatch.setattr(Path, "rename", fail)
    with pytest.raises(OutputError, match=r"in use by another program.*close programs"):
        write_bundle(out, _named(model, "new"))
    monkeypatch.undo()
    assert _mark(out) == "old"
    assert _left_over(tmp_path) == []


def test_foreign_files_are_copied_where_there_are_no_hard_links(model, tmp_path, monkeypatch):
    out = tmp_path / "results"
    write_bundle(out, _named(model, "old"))
    (out / "notes.txt").write_text("mine")

    def refuse(*args, **options):
        raise OSError(1, "no hard links here")

    monkeypatch.setattr(os, "link", refuse)
    write_bundle(out, _named(model, "new"))
    assert (out / "notes.txt").read_text() == "mine"


def test_two_runs_cannot_write_to_one_folder(model, tmp_path):
    out = tmp_path / "results"
    seen = []

    def second(name):
        if not seen:
            seen.append(name)
            with pytest.raises(OutputError, match="another run is writing to"):
                write_bundle(out, model)

    write_bundle(out, _named(model, "first"), progress=second)
    assert (len(seen), _mark(out)) == (1, "first")


def test_a_held_folder_is_let_go(tmp_path):
    with hold(tmp_path) as mine, hold(tmp_path) as other:
        assert (mine, other) == (True, False)
    with hold(tmp_path) as again:
        assert again


def test_a_full_disk_gives_one_clear_message_and_leaves_the_old_results(model, tmp_path):
    out = tmp_path / "results"
    write_bundle(out, _named(model, "old"))
    script = textwrap.dedent(
        f"""
        import resource, sys
        from pathlib import Path
        sys.path[:0] = [{str(ROOT)!r}, {str(HERE)!r}]
        from model_fixture import small_model
        from barrierrank.outputs import bundle
        limit = int(sys.argv[1])
        model = small_model()
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))  # no file may grow beyond
        try:
            bundle.write_bundle(Path({str(out)!r}), model)
        except bundle.OutputError as error:
            print(error)
            sys.exit(error.exit_code)
        """
    )
    for limit in (4_096, 60_000, 300_000):  # breaks the CSV, the GeoPackage, a picture or the map
        done = subprocess.run(
            [sys.executable, "-B", "-c", script, str(limit)], capture_output=True, text=True, check=False
        )
        assert done.returncode == 1, (limit, done.stderr)
        assert len(done.stdout.strip().splitlines()) == 1
        assert "results could not be written" in done.stdout
        assert "make room" in done.stdout
        assert _mark(out) == "old"
        assert _left_over(tmp_path) == []


def test_places_that_cannot_take_results_are_told_beforehand(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="is a file, results need a folder"):
        check_out_dir(tmp_path / "file")
    with pytest.raises(OutputError, match=r"file is a file, so that .*results cannot be made"):
        check_out_dir(tmp_path / "file" / "results")
    (tmp_path / "in").mkdir()
    monkeypatch.chdir(tmp_path / "in")
    for where in (Path(), tmp_path):
        with pytest.raises(OutputError, match="the folder you work in, or one above it"):
            check_out_dir(where)
    with pytest.raises(OutputError, match=r"root of a disk|one above it"):
        check_out_dir(Path("/"))
    monkeypatch.setattr(os, "access", lambda *_a, **_k: False)
    with pytest.raises(OutputError, match="no right to write to"):
        check_out_dir(tmp_path / "results")
    assert OutputError.exit_code == 1


def test_a_link_to_a_folder_stays_a_link(model, tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "real")
    write_bundle(tmp_path / "out", _named(model, "first"))
    assert (tmp_path / "out").is_symlink()
    assert _mark(tmp_path / "real") == "first"


def test_a_fault_of_ours_is_not_dressed_up_as_one_of_the_disk(model, tmp_path, monkeypatch):
    def broken(path, model):
        raise KeyError("gain_x")

    monkeypatch.setattr(bundle, "write_csv", broken)
    with pytest.raises(KeyError, match="gain_x"):
        write_bundle(tmp_path / "results", model)
    assert list(tmp_path.iterdir()) == []
