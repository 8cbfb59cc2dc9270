"""The commands handcount and import: labels out, corrected, and in again; what is served where."""

from __future__ import annotations

import io
import json
import math
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from command import run
from countable import add_plant, make_survey

from collarvision.answer import Reading
from collarvision.coco import KEYPOINTS, CocoPlant, write_coco
from collarvision.handcount import running
from collarvision.handcount.entry import Code
from collarvision.handles import handles_of_record, lost_leaf
from collarvision.survey import StoredCount, SurveyReader, SurveyWriter


@pytest.fixture
def survey(tmp_path: Path, drawn: tuple[bytes, Reading]) -> Path:
    return make_survey(tmp_path, drawn)[0]


def exported(survey: Path, change: Callable[[Any], None] = lambda content: None) -> Path:
    """The readings as another tool gets them, and gives them back after a change."""
    with SurveyReader(survey) as store:
        plants = [
            CocoPlant(
                row.photo,
                tuple(row.record["photo_size"]),  # type: ignore[arg-type]
                handles_of_record(row.record),
                row.sha256,
            )
            for row in store.plants()
        ]
    stream = io.StringIO()
    write_coco(plants, stream)
    content = json.loads(stream.getvalue())
    change(content)
    path = survey.with_name("labels.coco.json")
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def counts(survey: Path) -> list[StoredCount]:
    with SurveyReader(survey) as store:
        return list(store.counts())


def lose_a_leaf(content: Any) -> None:
    """What a person would do elsewhere: all names one leaf up, and say that leaf 1 is lost."""
    annotation = content["annotations"][0]
    flat = annotation["keypoints"]
    moved = [0.0] * len(flat)
    for i, name in enumerate(KEYPOINTS):
        word, _, rank = name.partition("_")
        up = f"{word}_{int(rank) + 1}" if rank else name
        if flat[3 * i + 2]:
            at = 3 * KEYPOINTS.index(up)
            moved[at : at + 3] = flat[3 * i : 3 * i + 3]
    annotation["keypoints"] = moved
    annotation["attributes"].update(lost_leaves=[1], round_tips=[])


def lose_nine(content: Any) -> None:
    for _ in range(9):
        lose_a_leaf(content)
    content["annotations"][0]["attributes"]["lost_leaves"] = list(range(1, 10))


def test_corrected_labels_come_in_as_counts_with_points(survey: Path) -> None:
    labels = exported(survey, lose_a_leaf)
    done = run("import", survey, "--from", labels, "--who", "Cy")
    assert done.exit_code == 0, done.output
    assert "Stored the labels of 1 photo." in done.stderr
    assert "2 photos are labelled just as they were read" in done.stderr
    (count,) = counts(survey)
    assert (count.count.who, count.count.stage, count.count.way) == ("Cy", 4, "imported")
    assert lost_leaf(1) in count.handles
    again = run("import", survey, "--from", labels, "--who", "Cy")
    assert again.exit_code == 0
    assert "Stored the labels of 0 photos; those of 1 were stored before." in again.stderr
    assert len(counts(survey)) == 1  # the same labels, stored once


def test_labels_that_come_to_no_count_are_told_if_somebody_made_them(survey: Path) -> None:
    def gap(content: Any) -> None:
        flat = content["annotations"][1]["keypoints"]
        at = 3 * KEYPOINTS.index("collar_2")
        flat[at : at + 3] = [0, 0, 0]

    done = run("import", survey, "--from", exported(survey, gap), "--who", "Cy")
    assert done.exit_code == 3
    assert "IMG_1.jpg: Leaf 2 without a collar" in done.stderr
    assert "2 photos are labelled just as they were read" in done.stderr
    assert counts(survey) == []


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda c: c["images"][0].update(width=math.inf), "its width inf isn't a whole number"),
        (lambda c: c["annotations"][0]["keypoints"].__setitem__(0, 10**400), "soil has no place"),
        (
            lambda c: c["images"][0].update(sha256="\ud800" * 64, file_name="x.jpg"),
            "holds no photo",
        ),
        (lambda c: c["images"][0].update(sha256="\ud800"), ""),  # known by its name
    ],
)
def test_a_bad_value_in_one_label_leaves_the_others_be(
    survey: Path, spoil: Callable[[Any], None], told: str
) -> None:
    done = run("import", survey, "--from", exported(survey, spoil), "--who", "Cy", "--all-checked")
    assert (done.exit_code, told in done.stderr) == (3 if told else 0, True), done.output
    assert [one.photo for one in counts(survey)] == ["IMG_0.jpg", "IMG_1.jpg", "IMG_2.jpg"][
        bool(told) :
    ]


def test_a_labelled_stage_that_the_plants_height_denies_is_told_and_not_stored(
    tmp_path: Path, drawn: tuple[bytes, Reading]
) -> None:
    def lose_nine_low(content: Any) -> None:
        lose_nine(content)
        # The arch was moved, to 20 and 10 px over the soil.
        for label, over in zip(content["annotations"], (20, 10), strict=False):
            flat = label["keypoints"]
            flat[3:5] = [flat[0], flat[1] - over]

    survey, _ = make_survey(tmp_path, drawn)
    done = run("import", survey, "--from", exported(survey, lose_nine_low), "--who", "Cy")
    assert done.exit_code == 3, done.output
    assert "IMG_0.jpg: V12 at 0.4 in is far too short. See the labels of its" in done.stderr
    assert "IMG_1.jpg: V3 at 0.2 in is far too short. See the labels of its" in done.stderr
    assert counts(survey) == []
    # What a person measured is the plant's height.
    measured = run("count", survey, "IMG_0.jpg", "--height", "40 in", "--who", "Bo")
    assert measured.exit_code == 0
    done = run("import", survey, "--from", exported(survey, lose_nine_low), "--who", "Cy")
    assert "IMG_0.jpg" not in done.stderr
    assert [one.count.stage for one in counts(survey)] == [None, 12]


def test_labels_that_somebody_checked_count_unchanged_too(survey: Path) -> None:
    done = run("import", survey, "--from", exported(survey), "--who", "Cy", "--all-checked")
    assert done.exit_code == 0
    assert [count.count.stage for count in counts(survey)] == [3, 3, 3]


def test_photos_are_known_by_name_and_size_where_the_hash_is_gone(survey: Path) -> None:
    def other_tool(content: Any) -> None:
        lose_a_leaf(content)
        for image in content["images"]:
            del image["sha256"]
            image["file_name"] = "C:\\labels\\" + image["file_name"]
        content["images"][1]["file_name"] = "unknown.jpg"
        content["images"][2]["width"] = 4000

    done = run(
        "import", survey, "--from", exported(survey, other_tool), "--who", "Cy", "--all-checked"
    )
    assert done.exit_code == 3
    assert "unknown.jpg: the survey holds no photo of this name" in done.stderr
    assert "IMG_2.jpg: the survey holds no photo of this name with 4000 x 1200" in done.stderr
    assert [count.photo for count in counts(survey)] == ["IMG_0.jpg"]


def test_labels_of_another_survey_end_in_one_sentence(survey: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.survey"
    SurveyWriter(other, create=True).close()
    file = exported(survey, lose_a_leaf)
    done = run("import", other, "--from", file, "--who", "Cy")
    assert done.exit_code == 3
    assert done.stderr.count("\n") == 1
    said = f"None of the 3 photos in {file} is in {other}: is it the right survey?"
    assert done.stderr.startswith(said)
    assert "Nothing was changed." in done.stderr
    with SurveyReader(other) as store:
        assert not list(store.counts())


def test_the_one_photo_of_another_survey_ends_in_that_sentence_too(
    tmp_path: Path, drawn: tuple[bytes, Reading]
) -> None:
    other = tmp_path / "other.survey"
    SurveyWriter(other, create=True).close()
    file = exported(make_survey(tmp_path, drawn, 1)[0], lose_a_leaf)
    done = run("import", other, "--from", file, "--who", "Cy")
    assert done.exit_code == 3
    assert done.stderr.count("\n") == 1
    said = f"The photo in {file} isn't in {other}: is it the right survey? Give the one that"
    assert done.stderr.startswith(said)
    assert "or stage that photo into this one" in done.stderr


def test_one_photo_that_is_labelled_as_it_was_read_is_told_of_as_one(
    tmp_path: Path, drawn: tuple[bytes, Reading]
) -> None:
    survey = make_survey(tmp_path, drawn, 1)[0]
    done = run("import", survey, "--from", exported(survey), "--who", "Cy")
    assert "1 photo is labelled just as it was read and was passed over: if" in done.stderr


def test_of_many_labels_without_a_photo_the_first_are_told(
    tmp_path: Path, drawn: tuple[bytes, Reading]
) -> None:
    survey = make_survey(tmp_path, drawn, 20)[0]

    def mostly_foreign(content: Any) -> None:
        lose_a_leaf(content)
        for image in content["images"][1:]:
            image.update(sha256="0" * 64, file_name=f"other_{image['id']}.jpg")

    file = exported(survey, mostly_foreign)
    done = run("import", survey, "--from", file, "--who", "Cy", "--all-checked")
    assert done.exit_code == 3
    told = [line for line in done.stderr.splitlines() if "holds no photo of this name" in line]
    assert 1 < len(told) < 10
    assert f"and {19 - len(told)} more." in done.stderr.splitlines()
    assert "Stored the labels of 1 photo." in done.stderr
    assert [count.photo for count in counts(survey)] == ["IMG_0.jpg"]


def test_who_labelled_travels_in_the_file(survey: Path) -> None:
    def signed(content: Any) -> None:
        lose_a_leaf(content)
        content["annotations"][0]["attributes"].update(
            labelled_by="Dee\x1b[2J", labelled_at="2024-05-20T05:00:00-05:00"
        )

    run("import", survey, "--from", exported(survey, signed), "--who", "Cy")
    (count,) = counts(survey)
    assert count.count.who == "Dee\N{REPLACEMENT CHARACTER}[2J"
    assert count.count.counted_at == "2024-05-20T10:00:00+00:00"  # as other counts are stored


def labelled(at: str, who: str = "Ann") -> Callable[[Any], None]:
    def change(content: Any) -> None:
        lose_a_leaf(content)
        content["annotations"][0]["attributes"].update(labelled_by=who, labelled_at=at)

    return change


def test_labels_of_long_ago_do_not_outdo_a_later_count(survey: Path, tmp_path: Path) -> None:
    labels = exported(survey, labelled("2020-05-20T10:00:00Z"))
    assert run("count", survey, "IMG_0.jpg", "--stage", "6", "--who", "Bo").exit_code == 0
    assert run("import", survey, "--from", labels, "--who", "Cy").exit_code == 0
    assert [count.count.who for count in counts(survey)] == ["Ann", "Bo"]
    out = tmp_path / "plants.json"
    assert run("export", survey, "--to", out).exit_code == 0
    row = next(r for r in json.loads(out.read_text("utf-8")) if r["photo"] == "IMG_0.jpg")
    assert (row["hand_stage"], row["hand_by"]) == (6, "Bo")
    field = run("field", survey, "--field", "North", "--day", "2027-05-20")
    assert "counted 4 by Ann and 6 by Bo: the last count stands" in " ".join(field.output.split())


@pytest.mark.parametrize(
    ("at", "told"),
    [
        ("yesterday", "its labelled_at 'yesterday' is no time like"),
        ("2999-01-01T00:00:00+00:00", "its labelled_at '2999-01-01T00:00:00+00:00' is yet to come"),
        ("0001-01-01T00:00:00+14:00", "is no time like"),  # before the calendar begins
        ("2027-05-20T10:00:00+00:00", ""),  # a season for practice: the visit is of that day too
    ],
)
def test_a_time_that_nobody_labelled_at_is_that_of_the_import(
    survey: Path, at: str, told: str
) -> None:
    before = datetime.now(UTC).isoformat(timespec="seconds")
    done = run("import", survey, "--from", exported(survey, labelled(at)), "--who", "Cy")
    assert told in done.stderr
    assert done.exit_code == (3 if told else 0)
    (count,) = counts(survey)
    assert before <= count.count.counted_at <= datetime.now(UTC).isoformat()
    assert count.count.who == "Ann"


def test_the_time_of_a_reading_is_nobodys_count(survey: Path) -> None:
    def corrected(content: Any) -> None:  # as an export gives it: nobody's, but with a time
        labelled("2020-05-20T10:00:00+00:00")(content)
        content["annotations"][0]["attributes"]["labelled_by"] = None

    run("import", survey, "--from", exported(survey, corrected), "--who", "Cy")
    (count,) = counts(survey)
    assert (count.count.who, count.count.counted_at[:4] > "2020") == ("Cy", True)


def test_soil_and_arch_alone_are_no_count(survey: Path) -> None:
    def only_the_ends(content: Any) -> None:
        annotation = content["annotations"][0]
        flat = [0] * len(annotation["keypoints"])
        flat[:6] = [50, 60, 2, 50, 20, 2]
        annotation.update(keypoints=flat, num_keypoints=2)
        annotation["attributes"].update(stage=0, lost_leaves=[], round_tips=[])

    done = run("import", survey, "--from", exported(survey, only_the_ends), "--who", "Cy")
    assert done.exit_code == 3
    assert "IMG_0.jpg: Nothing is marked that counts: mark a collar" in done.stderr
    assert counts(survey) == []


def test_an_untouched_export_agrees_to_the_stage_that_was_read(
    tmp_path: Path, drawn: tuple[bytes, Reading]
) -> None:
    survey, out = tmp_path / "s.survey", tmp_path / "out.coco.json"
    with SurveyWriter(survey, create=True) as store:
        add_plant(store, tmp_path, drawn, "more.jpg", outcome="staged", stage=4)
        add_plant(store, tmp_path, drawn, "same.jpg", outcome="staged", stage=3)
    assert run("export", survey, "--to", out).exit_code == 0
    content = json.loads(out.read_text("utf-8"))
    assert [a["attributes"]["stage"] for a in content["annotations"]] == [4, 3]
    done = run("import", survey, "--from", out, "--who", "Cy", "--all-checked")
    assert done.exit_code == 0, done.output
    more, same = sorted(counts(survey), key=lambda count: count.photo)
    assert (more.count.stage, same.count.stage) == (4, 3)
    # Three collars don't say V4: who agrees to the stage hasn't agreed to the points.
    assert (more.handles, bool(same.handles)) == ((), True)


def test_a_stage_beside_untouched_points_that_was_not_read_is_told(survey: Path) -> None:
    def other_stage(content: Any) -> None:
        content["annotations"][1]["attributes"]["stage"] = 5

    labels = exported(survey, other_stage)
    done = run("import", survey, "--from", labels, "--who", "Cy", "--all-checked")
    assert done.exit_code == 3
    assert "IMG_1.jpg: the file says V5 and the reading V3, with the same points." in done.stderr
    assert {count.photo for count in counts(survey)} == {"IMG_0.jpg", "IMG_2.jpg"}


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("import", "SURVEY", "--from", "missing.json", "--who", "Cy"), "can't be read"),
        (("import", "SURVEY", "--from", "SURVEY", "--who", "Cy"), "isn't JSON"),
        (("import", "SURVEY", "--from", "x.json", "--who", " "), "--who is empty"),
        (("handcount", "SURVEY", "--limits", "missing.toml"), "missing.toml"),
        (("handcount", "SURVEY", "--host", "192.0.2.77"), "choose another port"),
    ],
)
def test_mistakes_end_in_a_sentence(survey: Path, words: tuple[str, ...], told: str) -> None:
    done = run(*[survey if word == "SURVEY" else word for word in words])
    assert done.exit_code == 2, done.output
    assert told in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    "words", [("import", "missing.survey", "--from", "x.json", "--who", "Cy"),
              ("handcount", "missing.survey"),
              ("count", "missing.survey", "a.jpg", "--stage", "3", "--who", "Cy")]
)  # fmt: skip
def test_a_missing_survey_is_told_alike_everywhere(words: tuple[str, ...]) -> None:
    done = run(*words)
    assert done.exit_code == 3, done.output
    assert "There is no survey missing.survey: check the name, or make one" in done.stderr


def test_a_port_in_use_is_told(survey: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        done = run("handcount", survey, "--port", taken.getsockname()[1])
    assert done.exit_code == 2
    assert "choose another port with --port" in done.stderr


def test_a_phone_is_invited_with_code_and_picture() -> None:
    code = Code("ABCDEFGH", 0.0)
    words = running._invitation(code, ("http://192.0.2.1:8000", "http://192.0.2.9:8000"))
    assert "ABCD-EFGH" in words
    assert "or http://192.0.2.9:8000/enter" in words
    assert "not encrypted" in words
    assert words.count("\u2580") + words.count("\u2584") > 50  # half blocks of the QR code


def test_the_qr_code_says_the_address_and_the_code(tmp_path: Path) -> None:
    # OpenCV's reader is the outside check of what a phone's camera reads.
    import cv2
    import segno

    picture = tmp_path / "code.png"
    segno.make("http://192.0.2.1:8000/enter#ABCDEFGH", error="m").save(str(picture), scale=8)
    text, *_ = cv2.QRCodeDetector().detectAndDecode(cv2.imread(str(picture)))
    assert text == "http://192.0.2.1:8000/enter#ABCDEFGH"


@pytest.mark.parametrize("host", ["127.0.0.1", "0.0.0.0"])
def test_the_command_serves_until_ctrl_c(survey: Path, host: str, stand_in: Path) -> None:
    command = [sys.executable, "-m", "collarvision", "handcount", str(survey)]
    process = subprocess.Popen(
        [*command, "--port", "0", "--host", host],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1", "PYTHONIOENCODING": "utf-8"},
    )
    assert process.stdout is not None
    try:
        first = process.stdout.readline()
        assert "Ctrl-C ends it" in first
        url = first.split(" are at ")[1].split(" ")[0]
        assert url.startswith("http://localhost:")
        deadline = time.monotonic() + 10
        while True:
            try:
                with urllib.request.urlopen(f"{url}/queue", timeout=5) as answer:
                    assert "3 plants to count" in answer.read().decode()
                break
            except OSError:
                assert time.monotonic() < deadline
                time.sleep(0.05)
        said = ""
        # Ctrl-C that comes before the phones' code was printed would be right to cut it short.
        while host == "0.0.0.0" and "type the code" not in said:
            line = process.stdout.readline()
            assert line, said
            said += line
    finally:
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=15)
    assert "Traceback" not in err
    assert ("type the code" in said + out) == (host == "0.0.0.0")


def test_help_stays_quick_without_the_web_libraries() -> None:
    script = (
        "import sys, collarvision.cli; "
        "web = {'fastapi', 'starlette', 'uvicorn', 'jinja2', 'segno'}; "
        "print(web & set(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "set()"


def test_a_labelled_plant_that_hail_cut_is_stored_and_asked_about(
    tmp_path: Path, drawn: tuple[bytes, Reading]
) -> None:
    survey, _ = make_survey(tmp_path, drawn)
    done = run("import", survey, "--from", exported(survey, lose_nine), "--who", "Cy")
    assert "IMG_0.jpg: SURE? V12 at 7.8 in is far too short. It is stored" in done.stderr
    assert [one.count.stage for one in counts(survey)] == [12]
