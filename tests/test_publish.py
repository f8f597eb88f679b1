"""The open package: whole when the scoring is closed, silent about treatments before; nothing in it runs."""

import csv
import io
import json
import unicodedata
import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import EXAMPLE, SMALL
from trials import data_package, publish
from trials import folder as folders
from trials.csv_text import csv_text, neutral, plain
from trials.design import lay_out
from trials.errors import UserError
from trials.folder import Folder, Trial
from trials.plan import INVENTED, read_plan

PROFILE = Path(__file__).parent / "reference" / "data" / "data-package-2.0" / "profile.json"
"""The standard's own JSON schema of a package, version 2.0 (published 2024-06-26), its annotations (titles,
descriptions, examples) taken out."""

COLUMNS = (
    "patch", "response", "value", "assessor", "stage", "repeat", "taken_at", "method", "source", "note",
    "against", "supersedes", "reason",
)  # fmt: skip

CONTROLS = SMALL.replace("strips = 2", "strips = 3").replace(
    "[[response]]", '[[control]]\nname = "bare, top coat only"\nlaid_on = "strip"\n\n[[response]]', 1
)
HALVES = SMALL.replace('kind = "grade"', 'kind = "grade"\nhalf_grades = true')
YES_NO = SMALL.replace('kind = "grade"', 'kind = "yes_no"')
UNICODE = (
    SMALL.replace("carrier", "träger").replace('"water", "alcohol"', '"Wasser; =1+1", "Öl, „warm“"')
    .replace("figure_clarity", "schärfe").replace("Hall cabinet", "=Dielenschrank ⟂ 見本")
    .replace('"none", "shellac"', '"+ohne", "@schellack"').replace('["A", "B"]', '["Ada, Ø", "=B"]')
)  # fmt: skip
EXCLUDED = SMALL.replace("count = 4", "count = 6").replace('"water", "alcohol"]', '"water", "alcohol", "oil"]') + (
    '\n[[exclude]]\ncarrier = "oil"\nseal_coat = "shellac"\nwhy = "does not hold on oil"\n'
)
PAIRS = SMALL + (
    '\n[[response]]\nname = "clearer_fleck"\nkind = "preference"\nfactor = "seal_coat"\n'
    'ask = "Which of the two shows the fleck more clearly?"\n'
)
PLANS = {
    "plain": SMALL, "controls": CONTROLS, "half grades": HALVES, "yes or no": YES_NO, "unicode": UNICODE,
    "exclusions": EXCLUDED, "comparisons": PAIRS,
}  # fmt: skip


def reading(patch: object, response: str, value: object, **cells: str) -> dict[str, str]:
    made = {"patch": str(patch), "response": response, "value": str(value), "repeat": "1", "source": "scores.csv"}
    return dict.fromkeys(COLUMNS, "") | made | cells


def standing(place: Path, text: str = SMALL, seed: int = 987654321) -> Trial:
    """Return a laid-out trial with each patch read once in each response, one of them corrected, one withdrawn."""
    place.mkdir(exist_ok=True)
    (place / "trial.toml").write_text(text, encoding="utf-8")
    plan = read_plan(place)
    layout = lay_out(plan, seed)
    folders.save_layout(Folder(place), plan, layout)
    codes = sorted(int(code) for code in layout.patches["patch"])
    rows = [
        reading(code, response.name, 1, stage=response.stage, assessor=(*plan.assessors, "A")[0])
        for response in plan.responses
        for code in codes
    ]
    rows += [
        reading(codes[0], one.name, at, stage=one.stage, against=str(codes[1]), repeat=str(at + 1))
        for one in plan.preferences
        for at in (0, 1)
    ]
    rows.append(rows[0] | {"supersedes": "2", "reason": "- misread, 1;=2 \n „so“", "note": "=HYPERLINK(0)"})
    rows.append(rows[1] | {"supersedes": "3", "value": "", "reason": "patch was damp"})
    conditions = (
        {"board": "1", "patch": "", "step": "@dye", "started_at": "2026-03-14T08:00:00", "ended_at": "",
         "temperature_c": "-3.5", "humidity_pct": "48", "note": ""},
        {"board": "", "patch": str(codes[0]), "step": "seal", "started_at": "", "ended_at": "",
         "temperature_c": "", "humidity_pct": "", "note": "+ thin"},
    )  # fmt: skip
    record = folders.load_record(Folder(place))
    stand = tuple(folders.standing(rows))
    return Trial(Folder(place), plan, record, layout.patches, stand, conditions, tuple(rows))


def closed(trial: Trial) -> Trial:
    """Return the trial with its scoring closed."""
    act = {"act": "closed", "at": "2026-03-20T16:00:00Z", "rows": len(trial.journal), "why": ""}
    return replace(trial, record=replace(trial.record, scoring=(act,)))


def put(place: Path, files: dict[str, bytes]) -> Path:
    place.mkdir(exist_ok=True)
    for name, data in files.items():
        (place / name).write_bytes(data)
    return place


def checked(place: Path) -> list[tuple[str, str]]:
    """Return what the standard's profile and a checker that reads the tables too find wrong in a package."""
    import frictionless

    descriptor = json.loads((place / "datapackage.json").read_bytes())
    found = [("profile", text) for text in by_profile(descriptor)]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        report = frictionless.Package(str(place / "datapackage.json")).validate()
    assert [task.name for task in report.tasks] == [resource["name"] for resource in descriptor["resources"]]
    found += [("warning", text) for text in report.warnings]
    found += [("warning", text) for task in report.tasks for text in task.warnings]
    found += [("error", error.message) for error in report.errors]
    found += [(error.type, error.message) for task in report.tasks for error in task.errors]
    assert report.valid == (not [kind for kind, _ in found if kind not in ("profile", "warning")])
    return found


def by_profile(descriptor: dict[str, Any]) -> list[str]:
    """Check a description against the standard's profile, and for properties that are neither its nor namespaced."""
    import jsonschema

    profile = json.loads(PROFILE.read_bytes())
    checker = jsonschema.Draft7Validator(profile, format_checker=jsonschema.Draft7Validator.FORMAT_CHECKER)
    found = [error.message for error in checker.iter_errors(descriptor)]
    resource = profile["properties"]["resources"]["items"]["properties"]
    kinds: dict[str, set[str]] = {}
    for kind in resource["schema"]["properties"]["fields"]["items"]["oneOf"]:
        for name in kind["properties"]["type"]["enum"]:
            kinds.setdefault(name, set()).update(kind["properties"])
    parts: list[tuple[dict[str, Any], set[str]]] = [(descriptor, set(profile["properties"]))]
    for one in descriptor["resources"]:
        parts += [(one, set(resource)), (one["dialect"], set(resource["dialect"]["properties"]))]
        parts += [(one["schema"], set(resource["schema"]["properties"]))]
        parts += [(field, kinds[field["type"]]) for field in one["schema"]["fields"]]
    return found + [f"{name} is not the standard's" for part, known in parts for name in part
                    if name not in known and ":" not in name]  # fmt: skip


# --- the trial's own folder and the package, both by the standard ----------------------------------


@pytest.mark.parametrize("name", PLANS)
def test_the_package_is_valid_closed_and_open(tmp_path, name):
    trial = standing(tmp_path / "trial", PLANS[name])
    for shown in (True, False):
        place = put(tmp_path / f"package-{shown}", publish.build(trial, shown))
        assert checked(place) == []


@pytest.mark.parametrize("name", PLANS)
def test_the_trial_folder_itself_is_a_valid_package(tmp_path, name):
    trial = standing(tmp_path / "trial", PLANS[name])
    assert checked(tmp_path / "trial") == []
    folders.append(trial.folder, trial.plan, trial.journal, trial.conditions)
    assert checked(tmp_path / "trial") == []


def test_added_boards_are_valid_too(laid_out, run, tmp_path):
    plan = read_plan(laid_out)
    first = folders.load_layout(Folder(laid_out), plan)["patch"].iloc[0]
    folders.append(Folder(laid_out), plan, [reading(first, "darkness", 40.5, stage=plan.responses[1].stage)])
    assert run("plan", laid_out, "--add", 4, "--seed", 5).status == 0
    assert checked(laid_out) == []
    trial = folders.load(laid_out)
    files = publish.build(trial, closed=True)
    assert checked(put(tmp_path / "package", files)) == []
    assert json.loads(files["datapackage.json"])["splitboard:added"][0]["boards"] == 4
    assert files["layout.csv"].count(b"\n") == 1 + len(trial.patches)
    assert "Later 4 boards of them came in, with seed 5." in files["README.md"].decode()


def test_a_folder_from_before_the_new_columns_is_valid(tmp_path):
    """readings.csv with its first ten columns only is described by these."""
    trial = standing(tmp_path / "trial")
    old = [[row[name] for name in COLUMNS[:10]] for row in trial.journal if not row["supersedes"]]
    data = csv_text(COLUMNS[:10], old).encode()
    tables = [
        data_package.Table("layout.csv", "Who gets what", trial.folder.layout_file.read_bytes(),
                           data_package.layout_fields(trial.plan), ("patch",)),
        data_package.Table("readings.csv", "One row a reading", data,
                           data_package.reading_fields(trial.plan), refers_to_layout=True),
    ]  # fmt: skip
    described = data_package.describe(trial.plan, "trial", trial.record.laid_out_at, tables, {})
    schema = described["resources"][1]["schema"]
    assert [field["name"] for field in schema["fields"]] == list(COLUMNS[:10])
    assert [key["fields"] for key in schema["foreignKeys"]] == [["patch"]]
    files = {table.path: table.data for table in tables} | {"datapackage.json": json.dumps(described).encode()}
    assert checked(put(tmp_path / "package", files)) == []


def test_a_layout_saved_by_a_spreadsheet_keeps_all_its_columns(tmp_path):
    """Other separators, marks and encodings: the description is of the table as it was written."""
    trial = standing(tmp_path / "trial", UNICODE)
    fields = data_package.layout_fields(trial.plan)
    written = json.loads(trial.folder.package_file.read_bytes())["resources"][0]["schema"]["fields"]
    assert [field["name"] for field in written] == [field["name"] for field in fields]
    text = trial.folder.layout_file.read_text(encoding="utf-8")
    for data in (
        text.encode("utf-8-sig"),
        text.replace(",", ";").encode(),
        text.encode("utf-16"),
        text.encode("cp1252", errors="replace"),
    ):
        table = data_package.Table("layout.csv", "Who gets what", data, fields, ("patch",))
        described = data_package.describe(trial.plan, "trial", trial.record.laid_out_at, [table], {})
        assert described["resources"][0]["schema"]["fields"] == written


def changed(files: dict[str, bytes], name: str, change: Any, told: bool = True) -> dict[str, bytes]:
    """Return the package with the cells of one table changed, its description keeping up unless told not to."""
    rows = list(csv.DictReader(io.StringIO(files[name].decode(), newline="")))
    change(rows)
    data = csv_text(list(rows[0]), [list(row.values()) for row in rows]).encode()
    described = json.loads(files["datapackage.json"])
    if told:
        one = next(one for one in described["resources"] if one["path"] == name)
        one |= {"bytes": len(data), "hash": f"sha256:{data_package.sha256(data)}"}
    return files | {name: data, "datapackage.json": json.dumps(described).encode()}


FAULTS = {
    "unknown patch": ("readings.csv", lambda rows: rows[4].update(patch="9999"), "foreign-key"),
    "unknown other patch": ("readings.csv", lambda rows: rows[-3].update(against="9999"), "foreign-key"),
    "note of an unknown patch": ("conditions.csv", lambda rows: rows[1].update(patch="9999"), "foreign-key"),
    "patch twice": ("layout.csv", lambda rows: rows.append(dict(rows[0])), "primary-key"),
    "patch without a code": ("readings.csv", lambda rows: rows[4].update(patch=""), "constraint-error"),
    "text for a value": ("readings.csv", lambda rows: rows[4].update(value="light"), "type-error"),
    "missing values have one word": ("readings.csv", lambda rows: rows[4].update(value="NA"), "type-error"),
    "unknown response": ("readings.csv", lambda rows: rows[4].update(response="gloss"), "constraint-error"),
    "unknown stage": ("readings.csv", lambda rows: rows[4].update(stage="waxed"), "constraint-error"),
    "supersedes the header": ("readings.csv", lambda rows: rows[-1].update(supersedes="1"), "constraint-error"),
    "unknown level": ("layout.csv", lambda rows: rows[0].update(seal_coat="lacquer"), "constraint-error"),
    "unknown control": ("layout.csv", lambda rows: rows[0].update(control="blank"), "constraint-error"),
    "damp beyond measure": ("conditions.csv", lambda rows: rows[0].update(humidity_pct="130"), "constraint-error"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_checker_refuses_what_is_wrong(tmp_path, fault):
    text = PAIRS.replace("strips = 2", "strips = 3").replace(
        "[[response]]", '[[control]]\nname = "bare, top coat only"\nlaid_on = "strip"\n\n[[response]]', 1
    )
    files = publish.build(standing(tmp_path / "trial", text), closed=True)
    assert checked(put(tmp_path / "good", files)) == []
    name, change, kind = FAULTS[fault]
    found = checked(put(tmp_path / "bad", changed(files, name, change)))
    assert {one for one, _ in found} == {kind}
    assert len(found) == 1


def test_a_value_may_be_empty_in_withdrawals_only(tmp_path):
    trial = standing(tmp_path / "trial")
    without = replace(trial, journal=trial.journal[:-1])
    files = publish.build(without, closed=True)
    assert checked(put(tmp_path / "good", files)) == []
    empty = changed(files, "readings.csv", lambda rows: rows[4].update(value=""))
    assert [kind for kind, _ in checked(put(tmp_path / "bad", empty))] == ["constraint-error"]
    described = json.loads(publish.build(trial, closed=True)["datapackage.json"])
    field = next(one for one in described["resources"][1]["schema"]["fields"] if one["name"] == "value")
    assert "withdraws" in field["description"]
    assert "required" not in field.get("constraints", {})


def test_a_time_that_is_none_is_refused(tmp_path):
    """The checker of tables reads `created` too."""
    import frictionless

    files = publish.build(standing(tmp_path / "trial"), closed=True)
    described = json.loads(files["datapackage.json"]) | {"created": "last Tuesday"}
    place = put(tmp_path / "bad", files | {"datapackage.json": json.dumps(described).encode()})
    with pytest.raises(frictionless.FrictionlessException) as caught:
        frictionless.Package(str(place / "datapackage.json"))
    assert [error.note for error in caught.value.reasons] == ['property "created" is not valid "datetime"']


def test_a_changed_byte_is_noticed(tmp_path):
    files = publish.build(standing(tmp_path / "trial"), closed=True)
    spoilt = changed(files, "readings.csv", lambda rows: rows[4].update(value="2"), told=False)
    assert [kind for kind, _ in checked(put(tmp_path / "bad", spoilt))] == ["hash-count"]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda described: described.update(created=20260314),
        lambda described: described.update(resources=[]),
        lambda described: described.update(units="mm"),
        lambda described: described["resources"][0].pop("path"),
        lambda described: described["resources"][0].update(path="/layout.csv"),
        lambda described: described["resources"][0].update(hash="sha256:no hexadecimal"),
        lambda described: described["resources"][0]["schema"].update(primaryKey=[]),
        lambda described: described["resources"][0]["schema"]["fields"][0].update(unit="mm"),
    ],
)
def test_the_profile_can_say_no(tmp_path, spoil):
    described = json.loads(publish.build(standing(tmp_path / "trial"), closed=True)["datapackage.json"])
    assert by_profile(described) == []
    spoil(described)
    assert by_profile(described)


def test_the_columns_are_those_of_the_folder():
    fields = data_package.reading_fields(read_plan(EXAMPLE))
    assert tuple(field["name"] for field in fields) == COLUMNS
    assert tuple(folders.READING_COLUMNS) == COLUMNS
    assert tuple(field["name"] for field in data_package.condition_fields()) == folders.CONDITION_COLUMNS


# --- the scoring is not closed: no treatment in any byte -------------------------------------------

TELLING = (
    CONTROLS.replace("Hall cabinet in", "Shellac or none? Hall cabinet in")
    .replace("[boards]", 'wood = "sycamore, shellacked"\nabout = "Is a coat of SHELLAC  worth it?"\n\n[boards]')
    .replace('aim = "more"', 'aim = "more"\ngrades = 3\nanchors = ["as with none", "clear", "as under shellac"]')
    .replace("worth = 0.5", 'worth = 0.5\nbetween = ["shellac", "none"]')
) + '\n[[step]]\nname = "seal with shellac"\nmaterial = "dewaxed shellac"\nstage = "sealed"\n'
NAMES = ("shellac", "none", "water", "alcohol", "3 min", "6 min", "bare, top coat only")


def telling(place: Path) -> Trial:
    trial = standing(place, TELLING)
    rows = list(trial.journal)
    rows[2] = rows[2] | {"note": "the Shellac pooled"}
    rows[3] = rows[3] | {"source": "none-lanes.csv", "method": "on alcohol"}
    rows[4] = rows[4] | {"note": "a scratch, not of the finish"}
    return replace(trial, journal=tuple(rows))


def test_before_closing_no_level_is_named(tmp_path):
    trial = telling(tmp_path / "none-or-shellac")
    files = publish.build(trial, closed=False)
    assert set(files) == {"datapackage.json", "layout.csv", "readings.csv", "README.md"}
    whole = b"\n".join(files.values()).decode().casefold()
    for name in (*NAMES, "splitboard:plan", 'seed"', "987654321"):
        assert name not in whole, name
    for digest in (trial.record.layout_digest, trial.record.layout_hash, trial.plan.digest()):
        assert digest not in whole
    assert files["layout.csv"].decode().split() == ["patch", *map(str, sorted(trial.patches["patch"]))]
    assert "a scratch, not of the finish" in whole
    assert files["readings.csv"].count(b"\n") == publish.build(trial, True)["readings.csv"].count(b"\n")
    told = publish.left_out(trial, closed=False)
    assert len(told) == 3
    assert all(sentence in files["README.md"].decode() for sentence in told)
    whole = b"\n".join(publish.build(trial, closed=True).values()).decode().casefold()
    assert all(name in whole for name in (*NAMES, "splitboard:plan", 'seed"', "987654321"))
    assert publish.left_out(trial, closed=True) == ()


def test_before_closing_the_description_holds_no_column_but_the_codes(tmp_path):
    described = json.loads(publish.build(telling(tmp_path / "trial"), closed=False)["datapackage.json"])
    layout = described["resources"][0]
    assert [field["name"] for field in layout["schema"]["fields"]] == ["patch"]
    assert {key for key in described if key.startswith("splitboard:")} == {
        "splitboard:version", "splitboard:treatments",
    }  # fmt: skip


@settings(max_examples=60)
@given(order=st.randoms(use_true_random=False))
def test_before_closing_treatments_dealt_otherwise_give_the_same_bytes(tmp_path_factory, order):
    if not SHARED:
        trial = telling(tmp_path_factory.mktemp("dealt"))
        SHARED.append((trial, publish.build(trial, closed=False), publish.build(trial, closed=True)["layout.csv"]))
    trial, silent, layout = SHARED[0]
    at = list(range(len(trial.patches)))
    order.shuffle(at)
    dealt = trial.patches.iloc[at].reset_index(drop=True)
    dealt["patch"] = trial.patches["patch"]
    record = replace(
        trial.record, seed=order.randrange(10**9), layout_digest=f"{order.random()}", layout_hash=f"{order.random()}",
    )  # fmt: skip
    other = replace(trial, patches=dealt, record=record)
    assert publish.build(other, closed=False) == silent
    if at != sorted(at):
        assert publish.build(other, closed=True)["layout.csv"] != layout


SHARED: list[tuple[Trial, dict[str, bytes], bytes]] = []
"""One trial, and its package before and its layout after closing, made once for all ways to deal."""


def test_before_closing_bench_notes_stay_that_name_no_place(tmp_path):
    trial = telling(tmp_path / "trial")
    row = trial.conditions[0] | {"board": "", "step": "heating on"}
    for rows, kept in (
        ((row,), True),
        ((row, row | {"board": "2"}), False),
        ((row | {"patch": str(trial.patches["patch"].iloc[0])},), False),
        ((row | {"note": "shellac thickened"},), False),
    ):
        files = publish.build(replace(trial, conditions=rows), closed=False)
        assert ("conditions.csv" in files) == kept
        assert checked(put(tmp_path / f"package-{len(list(tmp_path.iterdir()))}", files)) == []


# --- what the package says -------------------------------------------------------------------------


def test_every_row_ever_taken_in_is_there(tmp_path):
    trial = standing(tmp_path / "trial", UNICODE)
    for shown in (True, False):
        text = publish.build(trial, shown)["readings.csv"].decode()
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
        assert [{name: plain(cell) for name, cell in row.items()} for row in rows] == list(trial.journal)
    assert len(trial.readings) == len(trial.journal) - 3


def test_equal_trials_give_equal_bytes(tmp_path):
    trial = standing(tmp_path / "trial")
    again = replace(trial, patches=trial.patches.copy(), journal=tuple(dict(row) for row in trial.journal))
    for shown in (True, False):
        assert publish.build(trial, shown) == publish.build(again, shown)
    assert json.loads(publish.build(trial, True)["datapackage.json"])["created"] == trial.record.laid_out_at


def test_the_layout_follows_from_what_the_package_keeps(tmp_path):
    """Plan and seed are there: the layout can be drawn again from the package alone."""
    trial = standing(tmp_path / "trial")
    files = publish.build(closed(trial), closed=True)
    kept = json.loads(files["datapackage.json"])
    assert kept["splitboard:plan"] == trial.plan.as_dict()
    assert folders.layout_text(lay_out(trial.plan, kept["splitboard:seed"]).patches).encode() == files["layout.csv"]
    assert kept["splitboard:scoring"] == list(closed(trial).closings)


def test_what_the_page_says(tmp_path):
    trial = standing(tmp_path / "trial", TELLING.replace("about = ", 'about = "<b>*loud*</b> | # 1"#'))
    page = publish.build(trial, closed=True)["README.md"].decode()
    for words in (
        "# Shellac or none? Hall cabinet in quartersawn sycamore",
        r"\<b\>\*loud\*\</b\> \| \# 1",
        "What seal coat (shellac against none) does to figure clarity; 0.5 grade would be worth having.",
        "seal coat, laid on lane: none, shellac",
        "control, without any of these: bare, top coat only",
        "4 boards from 1 lot, each with 2 lanes along the grain and 3 strips across it",
        "`figure_clarity`: grades from 1 to 3; clearer is better; read when topcoated\n  - 1: as with none",
        r"`darkness`: measured in L\*; darker is better; read when topcoated",
        "seal with shellac: dewaxed shellac",
        "### layout.csv", "### readings.csv", "### conditions.csv",
        "`supersedes`: the row of this file that this one corrects",
        "an apostrophe in front", "Wood dust", "Jars", "Whether the finish is fit to touch food",
        "grants no licence",
    ):  # fmt: skip
        assert words in page, words
    assert "nvented" not in page
    without_steps = publish.build(standing(tmp_path / "other"), closed=True)["README.md"].decode()
    assert "Wood dust" not in without_steps


@pytest.mark.parametrize("how", ["plan", "method", "source"])
def test_invented_results_are_said_to_be(tmp_path, how):
    trial = telling(tmp_path / "trial")
    if how == "plan":
        trial = replace(trial, plan=replace(trial.plan, rehearsal=True))
        assert publish.build(trial, closed=False) == publish.build(trial, closed=True)
        assert publish.left_out(trial, closed=False) == ()
    else:
        mark = {"method": "invented"} if how == "method" else {"source": f"{INVENTED}: a.csv"}
        trial = replace(
            trial, journal=(*trial.journal, reading(trial.patches["patch"].iloc[0], "darkness", 3, **mark))
        )
    said = "Rehearsal, invented results" if how == "plan" else "Invented results"
    for shown in (True, False):
        files = publish.build(trial, shown)
        assert f"{said}." in files["README.md"].decode()
        assert json.loads(files["datapackage.json"])["description"].startswith(f"{said}.")


# --- writing ---------------------------------------------------------------------------------------


def test_write_puts_the_files_there_and_takes_back_what_it_hides(tmp_path):
    trial = standing(tmp_path / "trial")
    to = tmp_path / "open" / "package"
    done = publish.write(closed(trial), to)
    assert [path.name for path in done] == list(publish.FILES)
    assert {path.name: path.read_bytes() for path in to.iterdir()} == publish.build(closed(trial), closed=True)
    publish.write(trial, to)
    assert {path.name: path.read_bytes() for path in to.iterdir()} == publish.build(trial, closed=False)
    assert not (to / "conditions.csv").exists()


def test_write_never_writes_over_anything_else(tmp_path):
    trial = standing(tmp_path / "trial")
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    with pytest.raises(UserError, match=r"holds other files, such as '.*'; name a new folder for the package\."):
        publish.write(trial, tmp_path / "trial")
    with pytest.raises(UserError, match="is a file; name a new folder"):
        publish.write(trial, tmp_path / "trial" / "layout.csv")
    with pytest.raises(UserError):
        publish.write(trial, tmp_path / "trial" / "layout.csv" / "deeper")
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


# --- what a spreadsheet would run ------------------------------------------------------------------

RUN = (  # OWASP, CSV Injection, from memory: the signs it names, and shapes of attack it describes
    "=1+1", "+1+1", "-1+1", "@SUM(1,1)", "\t=1+1", "\r=1+1", "\n=1+1", "\tx", "\rx", "\nx", "＝1+1", "＋1+x",
    "－1-x", "＠SUM(1)",
    "=cmd|' /C calc'!A0", '=HYPERLINK("x","y")', "  =1", "\u00a0=1", "\u200b=1", "\ufeff@x", '"=1', "'=1",
    "“=1", "-", "+", "=", "@", "--1", "+-1", "-x", "-1 -1", "-3.2.1", "-1e", "- 3", "＋4", "－3", "dry; =1+1", "-3;",
        "a;@x;b",
)  # fmt: skip
STAY = (
    "", " ", "3", "-3.2", "+4", "-1e-5", "3,5", "-3,5", " -3.2", "+.5", "-7.", "1=1", "a-b", "dye, -1", "30 g/L",
    "x@y", "shellac 1 lb cut", "'tis dry", "“so”", "見本", "a; -3; +4,5",
)  # fmt: skip


@pytest.mark.parametrize("cell", RUN)
def test_what_would_run_does_not(cell):
    made = neutral(cell)
    assert made != cell
    assert plain(made) == cell
    assert not any(part.lstrip(" \u00a0")[:1] in tuple("=+-@\t\r\n＝＋－＠") for part in made.split(";")
                   if part.strip() and not number(part))  # fmt: skip


@pytest.mark.parametrize("cell", STAY)
def test_what_would_not_run_stays(cell):
    assert neutral(cell) == cell
    assert plain(cell) == cell


def number(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True


CELLS = st.one_of(
    st.text(max_size=12),
    st.text(alphabet="=+-@\t\r\n＝＋－＠'\"“ \u00a0\u200b;,.e0123x", max_size=10),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
)


@settings(max_examples=500)
@given(st.lists(CELLS, min_size=20, max_size=20))
def test_nothing_is_lost(cells):
    """10,000 cells there and back through a csv file; once more neutral is lossless too."""
    text = csv_text(cells[:4], [cells[at : at + 4] for at in range(4, 20, 4)], neutral=True)
    back = [cell for row in csv.reader(io.StringIO(text, newline="")) for cell in row]
    assert [plain(cell) for cell in back] == cells
    assert [plain(plain(neutral(neutral(cell)))) for cell in cells] == cells
    for cell in back:
        first = cell.lstrip(' \u00a0\u200b"“')[:1]
        assert first not in tuple("=+-@\t\r\n＝＋－＠") or not first or number(cell)


@settings(max_examples=200)
@given(st.lists(CELLS, min_size=8, max_size=8))
def test_a_workbook_takes_no_cell_for_a_formula(cells):
    """The rule of a library that writes workbooks, an outside witness: it marks as a formula what begins with =."""
    from openpyxl import Workbook

    sheet = Workbook().active
    for at, cell in enumerate(cells, start=1):
        shown = "".join(letter for letter in neutral(cell) if unicodedata.category(letter) not in ("Cc", "Cf"))
        assert sheet.cell(row=1, column=at, value=shown).data_type != "f"


def test_every_text_of_a_package_is_harmless(tmp_path):
    files = publish.build(standing(tmp_path / "trial", UNICODE), closed=True)
    cells = [
        cell
        for name in ("layout.csv", "readings.csv", "conditions.csv")
        for row in csv.reader(io.StringIO(files[name].decode(), newline=""))
        for cell in row
    ]
    assert {"'=HYPERLINK(0)", "'- misread, 1;'=2 \n „so“", "'@dye", "-3.5", "'+ thin"} <= {*cells}
    assert [cell for cell in cells if neutral(plain(cell)) != cell] == []
    described = json.loads(files["datapackage.json"])
    assert all("apostrophe" in resource["description"] for resource in described["resources"])
    seal_coat = next(f for f in described["resources"][0]["schema"]["fields"] if f["name"] == "seal_coat")
    assert seal_coat["categories"] == seal_coat["constraints"]["enum"] == ["'+ohne", "'@schellack"]


def test_other_cells_pass_through():
    assert [neutral(cell) for cell in (3, -2.5, None)] == [3, -2.5, None]
    assert csv_text(["a", "=b"], [[None, float("nan")], [-1.5, "x\ry"]]) == 'a,=b\n,\n-1.5,"x\ry"\n'
    assert csv_text(["a", "=b"], [["=1", -1]], neutral=True) == "a,'=b\n'=1,-1\n"


def test_the_example_is_valid_to_its_last_table(tmp_path):
    """The example's own tables, published."""
    trial = folders.load(EXAMPLE)
    plan = trial.plan
    for shown in (True, False):
        files = publish.build(trial, shown)
        assert checked(put(tmp_path / str(shown), files)) == []
        assert files["readings.csv"].count(b"\n") == 1 + len(trial.journal)
    names = [level for factor in plan.factors for level in factor.levels] + [one.name for one in plan.controls]
    told = b"\n".join(publish.build(trial, closed=False).values()).decode().casefold()
    assert [name for name in names if name.casefold() in told] == []
