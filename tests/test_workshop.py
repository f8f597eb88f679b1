"""What `sheets` writes for the bench: mixing sheet, order of work, calendar, phone page, labels, cutting plan."""

import json
import shutil
from pathlib import Path
from xml.etree import ElementTree

import pypdfium2
import pytest

from tests.conftest import EXAMPLE
from tests.test_cli import files, wrong
from trials import bench, blind, folder, one_batch, sheets
from trials.plan import INVENTED
from trials.sheets import handing_out, jar_labels, labels, workshop

STOCK = "plank,lot,length,width\n1,a,3600 mm,180 mm\n2,b,3600 mm,180 mm\n"


@pytest.fixture(scope="module")
def example(tmp_path_factory) -> Path:
    place = tmp_path_factory.mktemp("workshop") / "counter"
    shutil.copytree(EXAMPLE, place, ignore=shutil.ignore_patterns("sheets", "report", "rehearsal"))
    return place


@pytest.fixture(scope="module")
def made(example) -> workshop.Made:
    return workshop.documents(folder.load(example), workshop.Wanted())


def text_of(content: bytes) -> str:
    document = pypdfium2.PdfDocument(content)
    return "\n".join(page.get_textpage().get_text_bounded() for page in document)


def test_every_trial_gets_these(made):
    assert set(made.files) == {
        "mixing.pdf", "order-of-work.pdf", "order-of-work.svg", "order-of-work.ics", "bench.html", "scoring-A.html",
        "scoring-B.html",
    }  # fmt: skip
    assert not made.notes


def test_every_page_says_who_may_see_it(example, made, tmp_path):
    trial = folder.load(example)
    files = dict(made.files)
    sheets.write(
        trial.plan, trial.patches, trial.record.seed, tmp_path,
        write_bytes=lambda path, content: files.update({path.name: content}),
    )  # fmt: skip
    stock = tmp_path / "stock.csv"
    stock.write_text(STOCK)
    files |= workshop.documents(trial, workshop.Wanted(stock=stock, svg=True)).files
    assert len(files) > 20
    for name, content in files.items():
        if name.endswith(".csv"):
            continue
        says = blind.MAY_SEE if handing_out.may_be_seen(name) else blind.MUST_NOT_SEE
        pages = [content.decode(errors="replace").replace("\r\n ", "")]
        if name.endswith(".pdf"):
            pages = [page.get_textpage().get_text_bounded() for page in pypdfium2.PdfDocument(content)]
        if name.endswith(".ics"):
            pages = pages[0].split("BEGIN:VEVENT")[1:]
        assert all(says in page for page in pages), name


def test_the_same_trial_gives_the_same_bytes(example, made):
    again = workshop.documents(folder.load(example), workshop.Wanted())
    assert again.files == made.files


def test_the_mixing_sheet_names_every_batch_and_its_cautions(made):
    text = text_of(made.files["mixing.pdf"])
    first = pypdfium2.PdfDocument(made.files["mixing.pdf"])[0].get_textpage().get_text_bounded()
    assert first.count("0.90 g dye") == first.count("1.80 g dye") == 3
    for words in (
        "Not blind",
        "60 mL water",
        "5, 11",
        "dye powder (kind not named in the plan) in water",
        "dewaxed shellac, 1 lb cut",
        "6.59 g shellac flakes",
        "83 mL",
    ):
        assert words in first
    assert "oz" not in text
    assert text.count("web guides") == 1
    for words in ("Dye powder", "Oily rags"):
        assert text.count(f"{words}.") == 2


def test_cautions_stand_short_at_the_head_and_whole_at_the_end(made):
    for name, words in (("mixing.pdf", "Dye powder."), ("order-of-work.pdf", "Wood dust.")):
        pages = [page.get_textpage().get_text_bounded() for page in pypdfium2.PdfDocument(made.files[name])]
        assert words in pages[0]
        assert "Source:" not in pages[0]
        assert words in "".join(pages[-2:])
        assert "Source:" in pages[-1]


def test_the_order_of_work_says_what_goes_on_each_piece(example, made):
    text = " ".join(text_of(made.files["order-of-work.pdf"]).split())
    first = folder.load(example).patches.sort_values("board_order").iloc[0]
    assert (
        f"dye (4 min) carrier {first['carrier']}, dye load {first['dye_load']}; control (bare, top coat only)" in text
    )
    assert text.count("seal coat shellac 1 lb cut") == 12


def test_the_order_of_work_keeps_every_dwell(example, made):
    text = text_of(made.files["order-of-work.pdf"])
    assert "Day 1, 08:00 to 16:00" in text
    assert "true start and end" in text
    assert "Oily rags" in text
    trial = folder.load(example)
    order = bench.schedule(bench.tasks(trial.plan, trial.patches), seed=trial.record.last_seed)
    put = {one.task.number: one for one in order.tasks}
    for one in order.tasks:
        if one.task.window:
            waited = one.start_s - put[one.task.window.task].end_s
            assert one.task.window.least_s <= waited <= one.task.window.most_s


def test_the_picture_and_the_calendar_are_what_they_say(made):
    icalendar = pytest.importorskip("icalendar")
    root = ElementTree.fromstring(made.files["order-of-work.svg"])
    assert root.tag.endswith("svg")
    assert "".join(root.itertext()).count("board 2") >= 1
    events = icalendar.Calendar.from_ical(made.files["order-of-work.ics"]).walk("VEVENT")
    rags = [event for event in events if event["SUMMARY"] == "See to the rags"]
    assert len(events) - len(rags) == 12 * (1 + 1 + 1 + 2 * 3 + 1)
    assert sum(bool(event.walk("VALARM")) for event in events) == 36 + len(rags)
    days = {event["DTSTART"].dt.date() for event in events if event not in rags}
    assert {event["DTSTART"].dt.date() for event in rags} <= days
    for event in rags:  # at the end of the day's wet work
        here = [one["DTEND"].dt for one in events if one["DTSTART"].dt.date() == event["DTSTART"].dt.date()]
        assert event["DTEND"].dt == max(here)
        assert "never pile them" in event["DESCRIPTION"]


def test_the_phone_page_follows_the_order_of_work(example, made):
    trial = folder.load(example)
    order, _ = workshop._order_of_work(trial)
    plan = workshop._bench_plan(trial, order)
    put_on = [(one.task.board, one.task.name) for one in order.tasks if one.task.window is None]
    assert [(task.board, task.step) for task in plan.tasks] == put_on
    dyed = [task.board for task in plan.tasks if task.step == "dye"]
    turns = trial.patches.drop_duplicates("board").sort_values("board_order")
    assert dyed == turns["board"].tolist()
    assert len(plan.tasks) == 12 * (1 + 1 + 1 + 3 + 1)
    glazed = [task for task in plan.tasks if task.dwell_s]
    assert sorted({task.dwell_s for task in glazed}) == [180, 360, 720]
    assert all(f"glaze dwell {task.dwell_s / 60:g} min" in task.carries for task in glazed)
    assert all(task.patches for task in glazed)
    page = made.files["bench.html"].decode()
    assert page.startswith("<!DOCTYPE html>")


def test_the_phone_page_takes_its_dwells_from_the_steps(tmp_path, run):
    """A dwell that no word gives away: ten minutes of a step called soak, on whole boards, put on in one go."""
    text = (EXAMPLE / "trial.toml").read_text(encoding="utf-8")
    text = text.replace('name = "dye"', 'name = "soak"').replace(
        'hands = "4 min"', 'hands = "4 min"\ndwell = "10 min"\nwipe = "1 min"'
    )
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    run("plan", tmp_path, "--seed", 1)
    trial = folder.load(tmp_path)
    order, _ = workshop._order_of_work(trial)
    soaked = [task for task in workshop._bench_plan(trial, order).tasks if task.step == "soak"]
    assert len(soaked) == 12
    assert {(task.dwell_s, task.ends_with, task.piece) for task in soaked} == {(600.0, "wipe back", "whole board")}


def test_steps_without_times_are_named_and_the_rest_is_made(tmp_path, run):
    text = (EXAMPLE / "trial.toml").read_text(encoding="utf-8").replace('hands = "4 min"\n', "")
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    run("plan", tmp_path, "--seed", 1)
    done = run("sheets", tmp_path)
    assert done.status == 0
    assert "these steps do not say how long they take: dye." in done.out
    assert not (tmp_path / "sheets" / "order-of-work.pdf").exists()
    assert (tmp_path / "sheets" / "bench.html").exists()


def test_labels_cutting_plan_and_svg_when_asked(run, example, tmp_path):
    stock = tmp_path / "stock.csv"
    stock.write_text(STOCK)
    done = run(
        "sheets", example, "--labels", "3 x 8, 70 mm x 36 mm", "--patch-labels", "5 x 10, 38 mm x 25 mm",
        "--stock", stock, "--svg", "--first-day", "2026-03-16", "--zone", "Europe/London",
    )  # fmt: skip
    assert done.status == 0, done.err
    names = {path.name for path in (example / "sheets").iterdir()}
    assert {"labels-boards.pdf", "labels-patches.pdf", "cutting.pdf", "cutting.csv", "board-01.svg"} <= names
    jars = " ".join(text_of((example / "sheets" / "labels-jars.pdf").read_bytes()).split())
    for words in ("1. Dye: dye powder", "8. Glaze: oil glaze", "not blind", "Rags wet with oil catch fire"):
        assert words in jars
    assert "boards 5, 11, not blind" in jars
    assert "boards boards" not in jars
    water, alcohol = jars.split("2. Dye:")[0], jars.split("3. Dye:")[1].split("4. Dye:")[0]
    assert "It burns" in alcohol
    assert "It burns" not in water
    assert "never a food container" in water
    assert b"20260316T080000Z" in (example / "sheets" / "order-of-work.ics").read_bytes()
    cutting = text_of((example / "sheets" / "cutting.pdf").read_bytes())
    assert "%" in cutting
    svg = (example / "sheets" / "board-01.svg").read_text(encoding="utf-8")
    codes = folder.load(example).patches.query("board == 1")["patch"]
    assert all(str(code) in svg for code in codes)
    assert "shellac" not in svg


@pytest.mark.parametrize("grid", ["5 x 10, 31 mm x 17 mm", "3 x 8, 70 mm x 36 mm", "1 x 1, 200 mm x 100 mm"])
def test_a_jars_label_keeps_to_itself_and_always_says_a_hazard(example, grid):
    trial = folder.load(example)
    made = jar_labels.document(trial.plan, one_batch.batches(trial), labels.read_grid(grid), start=1)
    document = pypdfium2.PdfDocument(made)
    boxes = [
        labels.read_grid(grid).box(at % labels.read_grid(grid).count + 1)
        for at in range(len(one_batch.batches(trial).batches))
    ]
    height = labels.read_grid(grid).sheet_height_mm
    for at, box in enumerate(boxes):
        page = document[at // labels.read_grid(grid).count]
        mm = 72 / 25.4
        bounds = (box.x * mm, (height - box.y - box.height) * mm, (box.x + box.width) * mm, (height - box.y) * mm)
        said = " ".join(page.get_textpage().get_text_bounded(*bounds).split())
        assert f"{at + 1}. " in said
        assert "It burns" in said or "Gloves" in said


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--labels", "3 x 9, 70 mm x 36 mm"), "mm"),
        (("--labels", "three by eight"), "label"),
        (("--kerf", "3"), "no unit"),
        (("--kerf", "90 mm"), "from 0 mm to 20 mm"),
        (("--first-day", "16.3.2026"), "write it as 2026-03-16"),
        (("--first-day", "9999-12-31"), "lies outside the years 1970 to 2199"),
        (("--zone", "Europe/Atlantis"), "Atlantis"),
        (("--stock", "nowhere.csv"), "nowhere.csv"),
    ],
)
def test_what_cannot_be_made_is_said_and_nothing_written(run, tmp_path, words, says):
    place = tmp_path / "counter"
    shutil.copytree(EXAMPLE, place, ignore=shutil.ignore_patterns("sheets", "report", "rehearsal"))
    assert says in wrong(run, place, "sheets", place, *words)


def test_stock_that_is_too_small_says_how_many_boards_fit(run, tmp_path):
    place = tmp_path / "counter"
    shutil.copytree(EXAMPLE, place, ignore=shutil.ignore_patterns("sheets", "report", "rehearsal"))
    stock = tmp_path / "stock.csv"
    stock.write_text("plank,lot,length,width\n1,a,1600 mm,180 mm\n2,b,1600 mm,180 mm\n")
    error = wrong(run, place, "sheets", place, "--stock", stock)
    assert "board" in error
    stock.write_text("plank,lot,length,width\n1,a,3600 mm,120 mm\n")
    assert "150" in wrong(run, place, "sheets", place, "--stock", stock)  # a board wider than its stock


def test_a_rehearsals_sheets_are_marked_and_it_has_no_phone_page(run, tmp_path):
    place = tmp_path / "counter"
    place.mkdir()
    shutil.copy(EXAMPLE / "trial.toml", place)
    assert run("plan", place, "--seed", 1).status == 0
    assert run("rehearse", place).status == 0
    assert run("sheets", place / "rehearsal").status == 0
    names = set(files(place / "rehearsal" / "sheets"))
    assert "bench.html" not in names
    for name in ("mixing.pdf", "order-of-work.pdf"):
        document = pypdfium2.PdfDocument(place / "rehearsal" / "sheets" / name)
        for page in document:
            assert INVENTED in page.get_textpage().get_text_bounded().casefold()


def test_check_says_beforehand_what_one_pair_of_hands_cannot_do(run, tmp_path):
    text = (EXAMPLE / "trial.toml").read_text(encoding="utf-8")
    text = text.replace('wipe = "40 s"', 'wipe = "6 min"').replace(
        '\non = "strip"', '\non = "board"'
    )  # all put on at once
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    done = run("check", tmp_path)
    assert done.status == 1
    said = done.out.split("What cannot be done at the bench:")[1]
    assert "wipes" in said
    assert "helper" in said
    assert "What cannot be done at the bench" not in run("check", EXAMPLE).out


def test_a_dwell_longer_than_the_day_is_said(run, tmp_path):
    text = (EXAMPLE / "trial.toml").read_text(encoding="utf-8") + '[bench]\nday = "10 min"\n'
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    run("plan", tmp_path, "--seed", 1)
    done = run("sheets", tmp_path)
    assert done.status == 2
    assert "longer than the day of 10 min" in done.err


# --- what is said of them --------------------------------------------------------------------------


def test_sheets_says_what_is_for_whom_in_a_few_lines(example, run, tmp_path):
    place = tmp_path / "a b"
    shutil.copytree(example, place)
    done = run("sheets", place)
    said = done.out.splitlines()
    assert len(said) <= 12
    first = said.index("For whoever scores, all of it blind:")
    bench_side, scorers = "\n".join(said[:first]), "\n".join(said[first:])
    for name in ("key.pdf", "mixing.pdf", "order-of-work.ics", "bench.html", "layout.csv", "datapackage.json"):
        assert name in bench_side
        assert name not in scorers
    for name in ("boards.pdf", "scoring-A.html", "scoring-B.pdf", "measuring.pdf"):
        assert name in scorers
        assert name not in bench_side
    assert "Send scoring-A.html to A's phone" in scorers
    given = json.loads(run("sheets", place, "--json").out)["data"]
    assert sorted(given["for_the_bench"] + given["for_whoever_scores"]) == sorted(given["files"])
    assert all(Path(path).exists() for path in given["files"] + given["kept_from_whoever_scores"])


def test_only_what_was_written_is_named(laid_out, run):
    said = run("sheets", laid_out).out
    assert "key.pdf" in said
    for name in ("mixing.pdf", "order-of-work.pdf", "bench.html", "scoring-A.html"):
        assert (name in said) is (laid_out / "sheets" / name).exists()
    assert "bench.html" not in said
