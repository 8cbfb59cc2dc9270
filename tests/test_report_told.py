"""Table and report: days told by their names, and photos that can't be shown any more."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from command import run
from fields import LIMITS, VISIT, fill, plant, walk
from surveys import MODEL, check_sound
from test_report import INCHES, marked, parsed, photo

from collarvision.decision import FieldAnswer, decide
from collarvision.fieldtable import format_answer
from collarvision.fieldvisits import visits_of
from collarvision.keeping import keep_decision
from collarvision.limitsfile import parse_limits
from collarvision.report.page import report_page
from collarvision.report.sheet import Sheet, make_sheet, missing_words, named_by
from collarvision.survey import FileFacts, Place, SurveyReader, SurveyWriter

TODAY = VISIT + timedelta(days=1)


@pytest.fixture
def limits(tmp_path: Path) -> Path:
    path = tmp_path / "limits.toml"
    path.write_text(LIMITS, encoding="utf-8")
    return path


def flat(text: str) -> str:
    return " ".join(text.split())


def answer_of(path: Path, field: str = "North", typed: str = LIMITS) -> FieldAnswer:
    with SurveyReader(path) as store:
        return decide(visits_of(store, field), TODAY, limits=parse_limits(typed))


# The last day by harvest


def test_a_last_day_by_harvest_is_never_told_as_the_last_day(tmp_path: Path) -> None:
    path = tmp_path / "season.survey"
    fill(path, "North", walk([6] * 12, height_in=15))
    answer = answer_of(path)
    assert [one.word for one in answer.verdicts] == ["closing", "open", "closing"]
    page = report_page(answer, INCHES)
    parsed(page)
    assert page.count("<dt>Last day by harvest</dt><dd>2027-08-26</dd>") == 2
    assert "<dt>Last day</dt>" not in page
    head, _, told = format_answer(answer, INCHES, width=110).partition("\n\n")[2].partition("Sure:")
    assert "by harvest" in head
    own, mix = (
        "By harvest alone the last day is 2027-08-26, 45 days before",
        "By harvest alone the last day is 2027-08-26, by Product B: 45 days before",
    )
    for text in (flat(told), flat(page)):
        assert text.count(own) == text.count(mix) == 1
        # Beside the mix, not said of all alike below.
        assert text.rindex("A with B", 0, text.index(mix)) > text.index(own)
        assert "label is the law" in text


# Verdicts kept before


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    path = tmp_path / "season.survey"
    fill(path, "North", walk([4] * 12, height_in=12))
    with SurveyReader(path) as store:
        found = visits_of(store, "North")
    judged = decide(found, TODAY, limits=parse_limits(LIMITS))
    with SurveyWriter(path) as store:
        keep_decision(store, judged, found.chosen.visit_id, "A. Adviser")
    return path


def test_a_kept_verdict_tells_its_three_days(kept: Path) -> None:
    with SurveyReader(kept) as store:
        visits = visits_of(store, "North")
    (saved,) = {one.decided_at[:10] for one in visits.decisions}
    later = decide(visits, TODAY + timedelta(days=1), limits=parse_limits(LIMITS))
    days = f"judged for {TODAY}, visit {VISIT}, saved "
    for width in (60, 110):
        text = flat(format_answer(later, INCHES, width=width))
        assert f"Product B: open, A. Adviser ({days}" in text
    page = report_page(later, INCHES)
    parsed(page)
    rows = page.partition("<h2>Kept before</h2>")[2].partition("</table>")[0]
    for name in ("Judged for", "Visit", "Saved"):
        assert f"<th>{name}</th>" in rows
        assert rows.count(f'data-label="{name}"') == 3
    assert rows.count(f'data-label="Judged for">{TODAY}<') == 3
    assert rows.count(f'data-label="Visit">{VISIT}<') == 3
    assert saved[:4] in rows.partition('data-label="Saved">')[2][:10]


def test_a_kept_verdict_says_its_day_to_programs(kept: Path) -> None:
    from collarvision.decision import answer_record

    with SurveyReader(kept) as store:
        answer = decide(visits_of(store, "North"), TODAY + timedelta(days=1))
    assert {(one["day"], one["visit"]) for one in answer_record(answer)["kept_before"]} == {
        (TODAY.isoformat(), VISIT.isoformat())
    }


# What decides


def test_only_plants_that_a_verdict_names_are_said_to_decide_it(tmp_path: Path) -> None:
    path, folder = tmp_path / "season.survey", tmp_path / "photos"
    folder.mkdir()
    with SurveyWriter(path, create=True) as store:
        for number in range(12):
            file, key = photo(folder, f"IMG_{number:04}.jpg")
            store.add_reading(
                plant(number, 8, height_in=30),
                sha256=key,
                model=MODEL,
                place=Place("North", VISIT.isoformat(), f"{number // 3}"),
                file=FileFacts(str(file), file.stat().st_size, 0, 0),
            )
    answer = answer_of(path)
    over, between, _ = answer.verdicts
    assert (over.word, between.word) == ("past", "closing")
    assert len(over.deciding_plants) == 10
    pictures = make_sheet(answer, INCHES).pictures
    decide_it = {one.name for one in pictures if "Decides a verdict." in one.lines}
    named = {one.name for one in pictures if any(one.name in v.sentence for v in (over, between))}
    assert decide_it == named
    assert 0 < len(named) <= 5
    page = report_page(answer, INCHES)
    assert "<dt>Also</dt>" not in page
    assert (
        page.count("<dt>Also past or likely</dt>") == page.count("<dt>Next furthest on</dt>") == 1
    )
    later = {"min_leaves = 2": "min_leaves = 9", '"4 in"': '"50 in"'}
    later |= {"max_leaves = 6": "max_leaves = 12", '"20 in"': '"90 in"'}
    typed = LIMITS
    for was, now in later.items():
        typed = typed.replace(was, now)
    early = report_page(answer_of(path, typed=typed), INCHES)
    assert early.count("<dt>Furthest behind</dt>") == 1


def test_a_name_inside_another_is_not_named(tmp_path: Path) -> None:
    path = tmp_path / "season.survey"
    fill(path, "North", walk([8] * 12))
    verdict = replace(
        answer_of(path).verdicts[0], deciding_plants=("p1", "p10"), sentence="1 is past: p10."
    )
    assert named_by(verdict) == {"p10"}


# Photos that are gone


@pytest.fixture
def pictured(tmp_path: Path) -> Path:
    path = tmp_path / "season.survey"
    folder = tmp_path / "photos"
    folder.mkdir()
    with SurveyWriter(path, create=True) as store:
        for number in range(3):
            file, key = photo(folder, f"IMG_{number:04}.jpg")
            store.add_reading(
                marked(number),
                sha256=key,
                model=MODEL,
                place=Place("North", VISIT.isoformat(), "1"),
                file=FileFacts(str(file), file.stat().st_size, 0, 0),
            )
    return path


def gone(folder: Path, count: int) -> str:
    photos = "1 photo" if count == 1 else f"{count} photos"
    files = "its file is gone" if count == 1 else "their files are gone"
    return f"{photos} can't be shown, since {files} from {folder}. The survey has lost nothing."


@pytest.mark.parametrize("left", [3, 2, 0])
def test_a_report_says_once_which_photos_are_gone(pictured: Path, limits: Path, left: int) -> None:
    folder = pictured.parent / "photos"
    for file in sorted(folder.iterdir())[left:]:
        file.unlink()
    if not left:
        shutil.rmtree(folder)
    page = pictured.parent / "north.html"
    words = ["field", pictured, "--day", TODAY, "--limits", limits, "--report", page]
    result = run(*words)
    assert result.exit_code == 0
    closing = result.stderr.strip().splitlines()[-1]
    text = page.read_text(encoding="utf-8")
    parsed(text)
    if left == 3:
        assert closing == f"Wrote the report to {page}."
        assert "lost nothing" not in text
        return
    said = gone(folder, 3 - left)
    assert closing == f"Wrote the report to {page}. {said}"
    assert flat(text).replace("&#39;", "'").count(said) == 1
    assert text.count("data:image/jpeg;base64,") == left
    assert "label is the law" in text
    check_sound(pictured)


@pytest.mark.parametrize(
    ("sheet", "said"),
    [
        (Sheet((), 0, 0), None),
        (Sheet((), 0, 1, 0, ("/f",)), gone(Path("/f"), 1)),
        (Sheet((), 0, 2), "2 photos can't be shown, since their files are gone. The survey has"),
        (Sheet((), 0, 4, 0, ("/f", "/g", "/h")), "gone from /f and 2 other folders. The"),
        (
            Sheet((), 0, 2, 1, ("/f",)),
            "2 photos are no longer where the survey saw them, in /f, and can't be shown. The",
        ),
        (
            Sheet((), 0, 2, 0, ("s3://b/f",)),
            "2 photos of s3://b/f are not shown: a report fetches none from an address. The survey",
        ),
    ],
)
def test_photos_that_are_not_shown_are_told_apart(sheet: Sheet, said: str | None) -> None:
    words = missing_words(sheet)
    assert words is None if said is None else said in (words or "")


def test_another_picture_in_its_place_is_not_called_gone(pictured: Path) -> None:
    photo(pictured.parent / "photos", "IMG_0007.jpg")[0].rename(
        pictured.parent / "photos" / "IMG_0001.jpg"
    )
    sheet = make_sheet(answer_of(pictured), INCHES)
    assert (sheet.not_found, sheet.replaced, len(sheet.pictures)) == (1, 1, 2)


def test_a_report_without_an_answer_says_so_once_and_nothing_of_stops(tmp_path: Path) -> None:
    path = tmp_path / "waits.sqlite"
    fill(path, "Waits", [(plant(k, 4, outcome="hand-count"), "S1") for k in range(3)])
    page = flat(report_page(answer_of(path, "Waits"), INCHES))
    assert page.count("No plant has an answer yet.") == 1
    assert "no plant has an answer; 3 waiting for a hand count." in page
    assert "No plant has a stop" not in page
