"""The package as others meet it: the README's commands run, the wheel holds what it should."""

import re
import shlex
import subprocess
import sys
import tomllib
import zipfile

import pandas as pd

from tests.conftest import EXAMPLE, REPOSITORY


def test_the_readmes_commands_run(run, tmp_path, monkeypatch):
    text = (REPOSITORY / "README.md").read_text(encoding="utf-8")
    commands = re.findall(r"^\$ splitboard (.+)$", text, re.MULTILINE)
    assert len(commands) >= 9
    for name in ("scores-A.csv", "scores-B.csv", "lightness.csv"):  # the example's, without the mark that they bear
        rows = pd.read_csv(EXAMPLE / "results" / name, dtype=str).drop(columns="method")
        rows.to_csv(tmp_path / name, index=False)
    monkeypatch.chdir(tmp_path)
    for command in commands:
        done = run(*shlex.split(command))
        assert done.status == 0, (command, done.err)


def test_the_readme_names_every_command():
    from analysis import cli

    text = (REPOSITORY / "README.md").read_text(encoding="utf-8")
    names = [command.callback.__name__ for command in cli.app.registered_commands]
    assert all(f"| `{name}` |" in text for name in names)


def test_the_readmes_plan_is_a_plan(tmp_path, run):
    text = (REPOSITORY / "README.md").read_text(encoding="utf-8")
    (tmp_path / "trial.toml").write_text(text.split("```toml\n")[1].split("```")[0], encoding="utf-8")
    assert run("check", tmp_path).status == 0


def test_the_wheel(tmp_path):
    """Two packages at the top level, the templates and the example inside, the licence beside."""
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
        cwd=REPOSITORY, check=True, capture_output=True,
    )  # fmt: skip
    (wheel,) = tmp_path.glob("*.whl")
    names = zipfile.ZipFile(wheel).namelist()
    assert {name.split("/")[0] for name in names if ".dist-info" not in name} == {"trials", "analysis"}
    for needed in (
        "trials/sheets/templates/boards.typ",
        "analysis/report/templates/report.html",
        "trials/examples/lacewood-counter/trial.toml",
        "trials/examples/lacewood-counter/datapackage.json",
        "trials/examples/lacewood-counter/results/scores-A.csv",
        "trials/examples/lap-boards/readings.csv",
        "trials/examples/lap-boards/results/scores-A.csv",
    ):
        assert needed in names
    assert any(name.endswith("licenses/LICENSE") for name in names)
    assert not any("/report/report.html" in name or "/sheets/boards.pdf" in name for name in names)


def test_constraints_hold_exact_versions_and_no_address():
    lines = (REPOSITORY / "constraints.txt").read_text().splitlines()
    assert all(re.fullmatch(r"[A-Za-z0-9_.-]+==[A-Za-z0-9_.+]+", line) for line in lines)
    pinned = {line.split("==")[0].lower().replace("_", "-") for line in lines}
    project = tomllib.loads((REPOSITORY / "pyproject.toml").read_text())
    asked = [*project["project"]["dependencies"], *project["dependency-groups"]["test"]]
    assert {re.split(r"[><=]", name)[0].lower() for name in asked} <= pinned


def test_the_wings_import_one_way():
    for path in sorted((REPOSITORY / "trials").rglob("*.py")):
        assert not re.search(r"^\s*(from|import) analysis\b", path.read_text(encoding="utf-8"), re.MULTILINE), path
