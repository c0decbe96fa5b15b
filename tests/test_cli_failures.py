"""The command line when it goes wrong: exit codes, stops, and what is left behind."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pyogrio
import pytest
from support.command import rank, run, state_of
from support.small_basin import ACTIONS, SITES, SmallBasin

import barrierrank.run
from barrierrank import cli_tell
from barrierrank.outputs import bundle

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "data_demo"
FILES = {"priority_list.csv", "priority_list.xlsx", "cautions.txt", "results.gpkg", "map.html", "run.json"}
FILES |= {"acceptability.csv", "acceptability.png", "survey_next.csv"}  # nothing is clearly worth a picture there


@pytest.fixture
def small(tmp_path: Path) -> SmallBasin:
    """Return a small sound project."""
    return SmallBasin(tmp_path / "basin")


class TestExitCodes:
    """Faults of ours, stops, and results that cannot be written."""

    def test_a_fault_of_ours_is_3_and_says_so(
        self, small: SmallBasin, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def broken(*_: object) -> None:
            raise ZeroDivisionError("a slip")

        monkeypatch.setattr(barrierrank.run, "as_it_is", broken)
        said = run("rank", small.project, "--out", small.out)
        assert said.code == 3
        assert "ZeroDivisionError: a slip" in said.err
        assert said.err.endswith(
            "error: this is a fault of barrierrank, not of your data; the lines above say where\n"
        )
        assert not small.out.exists()

    @pytest.mark.parametrize(
        ("fault", "code", "words"),
        [
            (RuntimeError("a slip"), 3, "this is a fault of barrierrank"),
            (OSError(28, "No space left on device"), 1, "those of an earlier run are as they were"),
            (KeyboardInterrupt(), 130, "stopped; results of earlier runs are as they were"),
        ],
    )
    def test_a_rank_that_fails_leaves_the_old_results_whole(
        self, small: SmallBasin, monkeypatch: pytest.MonkeyPatch, fault: BaseException, code: int, words: str
    ) -> None:
        rank(small)
        (small.out / "notes.txt").write_text("ours to keep", encoding="utf-8")
        before = state_of(small.folder)

        def broken(*_: object) -> None:
            raise fault

        monkeypatch.setattr(bundle, "write_record", broken)  # the last writer of all
        small.change("actions.csv", "400", "40000")
        said = run("rank", small.project, "--out", small.out, "--quiet")
        assert said.code == code
        assert words in said.err
        after = state_of(small.folder)
        assert {n for n in after if before.get(n) != after[n]} == {"actions.csv"}
        assert before.keys() == after.keys()
        assert not list(small.folder.glob(".*"))
        # without an earlier run nothing at all is left
        shutil.rmtree(small.out)
        assert run("rank", small.project, "--out", small.out, "--quiet").code == code
        assert not small.out.exists()
        assert not list(small.folder.glob(".*"))

    def test_new_results_replace_old_ones_and_keep_what_is_not_ours(self, small: SmallBasin) -> None:
        rank(small)
        (small.out / "notes.txt").write_text("ours to keep", encoding="utf-8")
        small.edit("species.walleye", "species.pike")
        small.change("actions.csv", "passability_walleye", "passability_pike")
        rank(small)
        pictures = {"blocked_lamprey.png", "blocked_pike.png"}
        assert {p.name for p in small.out.iterdir()} == FILES | pictures | {"notes.txt"}

    def test_inputs_are_not_replaced_by_results(self, small: SmallBasin) -> None:
        small.write("priority_list.csv", ACTIONS)
        small.edit('path = "actions.csv"', 'path = "priority_list.csv"')
        said = run("rank", small.project, "--out", small.folder)
        assert said.code == 2
        assert "is an input and would be replaced by the results -> give another folder with --out" in said.err
        assert (small.folder / "priority_list.csv").read_text(encoding="utf-8") == ACTIONS

    def test_results_in_the_folder_of_the_data_leave_the_data_alone(self, small: SmallBasin) -> None:
        project = small.project
        before = state_of(small.folder)
        assert run("rank", project, "--out", small.folder, "--quiet").code == 0
        after = state_of(small.folder)
        assert {n: after[n] for n in before} == before
        assert set(after) - set(before) == FILES | {"blocked_lamprey.png", "blocked_walleye.png"}

    @pytest.mark.parametrize("out", ["sites.csv", "sites.csv/below", "a" * 300, "a\0b", "."])
    def test_no_place_for_results(
        self, small: SmallBasin, out: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        project = small.project
        monkeypatch.chdir(small.folder)
        before = state_of(small.folder)
        said = run("rank", project, "--out", out)
        assert said.code == 1
        assert said.err.count("\n") == 1
        assert said.err.startswith("error: ")
        assert " -> " in said.err
        assert state_of(small.folder) == before

    def test_no_right_to_write(self, small: SmallBasin, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(os, "access", lambda *_: False)
        said = run("rank", small.project, "--out", small.out)
        assert said.code == 1
        assert "no right to write to" in said.err
        assert "choose another folder with --out" in said.err

    def test_many_warnings_of_a_kind_are_summed_up(self, small: SmallBasin) -> None:
        far = "".join(f"X{i},far away,weir,{600000 + i},4600000,0,0.5,0.5\n" for i in range(30))
        small.write("sites.csv", SITES + far)
        said = run("rank", small.project, "--out", small.out, "--quiet")
        assert said.code == 0
        assert said.err.count("no stream line within") == cli_tell.MOST_WARNINGS
        assert "warning: 25 more of site_far: see layer problems" in said.err
        problems = pyogrio.read_dataframe(small.out / "results.gpkg", layer="problems")
        assert (problems["kind"] == "site_far").sum() == 30
        assert run("check", small.project).out.count("no stream line within") == 30


def process(*words: str | Path, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run the command line as a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "barrierrank.cli", *map(str, words)],
        capture_output=True, text=True, encoding="utf-8", check=False, **options,
    )  # fmt: skip


class TestProcess:
    """Real processes: another folder, another alphabet, a stop from the keyboard, a reader that goes away."""

    def test_any_folder_name_and_any_terminal(self, tmp_path: Path) -> None:
        small = SmallBasin(tmp_path / "Ordner mit Ümlaut & Leer")
        small.edit("Example basin", "Übungsbecken 漢").change("sites.csv", "Lower weir", "Mühlwehr 漢")
        Path(small.project)
        bare = {**os.environ, "PYTHONPATH": str(ROOT), "LC_ALL": "C", "PYTHONIOENCODING": "ascii"}
        said = process("rank", "project.toml", "--out", "Ergebnis ä", cwd=small.folder, env=bare)
        assert said.returncode == 0, said.stderr
        assert said.stdout.startswith(r"\xdcbungsbecken \u6f22: 7 reaches, 3 sites")
        assert (small.folder / "Ergebnis ä" / "map.html").is_file()
        elsewhere = process(
            "rank", small.folder / "project.toml", "--out", "r", "--quiet",
            cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert (elsewhere.returncode, elsewhere.stdout, elsewhere.stderr) == (0, "", "")
        here = (small.folder / "Ergebnis ä" / "priority_list.csv").read_bytes()
        assert (tmp_path / "r" / "priority_list.csv").read_bytes() == here
        assert "Mühlwehr 漢" in here.decode("utf-8")

    @pytest.mark.skipif(os.name != "posix", reason="file names are letters, not bytes, elsewhere")
    def test_a_process_that_takes_file_names_for_ascii(self, tmp_path: Path) -> None:
        small = SmallBasin(tmp_path / "Flüsse ä")
        Path(small.project)
        bare = {**os.environ, "PYTHONPATH": str(ROOT), "LC_ALL": "C", "PYTHONUTF8": "0"}
        said = process("rank", "project.toml", "--out", "Ergebnis ä", "--quiet", cwd=small.folder, env=bare)
        assert (said.returncode, said.stdout, said.stderr) == (0, "", "")
        assert (small.folder / "Ergebnis ä" / "results.gpkg").is_file()

    def test_the_package_runs_as_a_module(self) -> None:
        said = subprocess.run(
            [sys.executable, "-m", "barrierrank", "--version"], env={**os.environ, "PYTHONPATH": str(ROOT)},
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        assert said.stdout.startswith("barrierrank ")

    @pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device without room")
    def test_no_room_for_what_is_printed(self, small: SmallBasin) -> None:
        words = [sys.executable, "-m", "barrierrank.cli", "rank", small.project, "--out", str(small.out)]
        with Path("/dev/full").open("w", encoding="utf-8") as full:
            said = subprocess.run(
                words, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=full, stderr=subprocess.PIPE,
                text=True, check=False,
            )  # fmt: skip
        assert said.returncode == 1
        assert "Traceback" not in said.stderr
        assert "error: what is printed cannot be written (No space left on device)" in said.stderr
        assert (small.out / "map.html").is_file()

    @pytest.mark.skipif(os.name != "posix", reason="signals of this kind are POSIX")
    def test_stop_from_the_keyboard(self, small: SmallBasin) -> None:
        out = small.folder / "results"
        words = [sys.executable, "-m", "barrierrank.cli", "demo", "--out", str(out), "--data", str(DEMO)]
        started = subprocess.Popen(
            words, env={**os.environ, "PYTHONPATH": str(ROOT)}, stderr=subprocess.PIPE, text=True,
            stdout=subprocess.DEVNULL,
        )  # fmt: skip
        assert started.stderr is not None
        for line in started.stderr:
            if "priority_list.xlsx" in line:  # told as done: it is writing the next one
                break
        started.send_signal(signal.SIGINT)
        rest = started.stderr.read()
        assert started.wait(30) == 130
        assert "stopped; results of earlier runs are as they were" in rest
        assert "Traceback" not in rest
        assert not out.exists()
        assert not list(small.folder.glob(".*"))

    @pytest.mark.skipif(os.name != "posix", reason="pipes of this kind are POSIX")
    def test_a_reader_that_goes_away(self, small: SmallBasin) -> None:
        read, write = os.pipe()
        os.close(read)
        words = [sys.executable, "-m", "barrierrank.cli", "check", small.project]
        said = subprocess.run(
            words, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=write, stderr=subprocess.PIPE,
            text=True, check=False,
        )  # fmt: skip
        os.close(write)
        assert said.returncode == 141
        assert said.stderr == ""
