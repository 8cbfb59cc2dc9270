"""Gathering: folders, files and patterns in, an ordered list of photos out."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from command import run

from collarvision.gathering import gather, nothing_words, passed_words


def touch(folder: Path, *names: str) -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")


def names(*words: str | Path) -> list[str]:
    return [source.path.name for source in gather(words)]


def test_a_folder_gives_its_photos_in_the_order_a_person_counts(tmp_path: Path) -> None:
    touch(tmp_path, "IMG_10.jpg", "IMG_2.JPG", "img_1.heic", "notes.txt", "b.tiff", "c.PNG")
    assert names(tmp_path) == ["b.tiff", "c.PNG", "img_1.heic", "IMG_2.JPG", "IMG_10.jpg"]


def test_what_a_folder_holds_besides_is_counted_by_its_endings(tmp_path: Path) -> None:
    touch(tmp_path, "a.WEBP", "b.overlay.jpg", ".hidden", "x/c.CR2", "x/d.cr2", "e.gif", "README")
    touch(tmp_path, "truth.jsonl", "ORIGIN.md", "x/Notes.TXT")  # nobody takes them for photos
    passed: set[Path] = set()
    # The folder in the folder is named twice, and its files are told once.
    found = [source.path.name for source in gather([tmp_path, tmp_path / "x"], passed)]
    assert found == ["a.WEBP", "x"]
    words = passed_words(passed)
    assert words is not None
    assert words.startswith("4 other files passed over (.cr2, ")
    assert {".gif", "without an ending"} <= set(words.split("(")[1].split(")")[0].split(", "))
    assert passed_words([Path("a.pdf")]).startswith("1 other file passed over (.pdf): photos")
    many = passed_words(Path(f"a.{k}") for k in range(9))
    assert many is not None
    assert ", ...): photos of a folder are JPEG" in many
    gather([tmp_path / "a.WEBP"], passed := set())
    assert passed_words(passed) is None


def test_nothing_to_read_is_said_only_where_no_word_leads_to_a_photo(tmp_path: Path) -> None:
    touch(tmp_path, "a.jpg", "empty/notes.txt")
    for words, said in (
        (["gone", "z*.jpg"], ["There is no file", "No file matches"]),
        (["empty"], ["holds no photo"]),
        (["gone", "a.jpg"], []),
        ([], ["No photo was given"]),
    ):
        sources = gather([tmp_path / word for word in words])
        told = nothing_words((source.path, source.trouble) for source in sources)
        assert len(told) == len(said)
        assert all(part in one for part, one in zip(said, told, strict=True))


def test_a_file_that_is_no_photo_by_name_nor_by_content_is_none(tmp_path: Path) -> None:
    (tmp_path / "README.md").write_text("# Notes")
    (tmp_path / "shot.dat").write_bytes(b"\xff\xd8\xff\xe0")
    (tmp_path / "broken.jpg").write_text("no picture")
    for name, said in (
        ("README.md", [f"{tmp_path / 'README.md'} is text, not a photo"]),
        ("shot.dat", []),
        ("broken.jpg", []),  # meant as a photo: its record says what is wrong
    ):
        told = nothing_words([(tmp_path / name, None)])
        assert len(told) == len(said)
        assert all(one.startswith(part) for part, one in zip(said, told, strict=True))
    assert nothing_words([(tmp_path / "README.md", None), (tmp_path / "broken.jpg", None)]) == []


@pytest.mark.skipif(os.name == "nt", reason="needs POSIX")
def test_what_is_no_ordinary_file_is_no_photo_and_is_not_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    survey = tmp_path / "s.survey"
    for word in (tmp_path / "pipe.jpg", Path(os.devnull)):
        assert nothing_words([(word, None)]) == [
            f"{word} is not an ordinary file: save the photo to disk first."
        ]
        for words in (["stage", word], ["batch", word, "--survey", survey]):
            result = run(*words)
            assert (result.exit_code, result.stdout) == (2, "")
    assert not survey.exists()


@pytest.mark.skipif(os.name == "nt", reason="needs POSIX")
def test_where_the_current_folder_is_gone_nothing_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gone = tmp_path / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    for words in (["stage", "a.jpg"], ["batch", "a.jpg", "--survey", tmp_path / "s.survey"]):
        result = run(*words)
        assert result.exit_code == 2
        assert "There is no file a.jpg" in result.stderr


def test_subfolders_are_searched_and_hidden_things_left_out(tmp_path: Path) -> None:
    touch(tmp_path, "stop 2/a.jpg", "stop 10/b.jpg", ".thumbs/c.jpg", "._d.jpg", ".e.jpg")
    assert names(tmp_path) == ["a.jpg", "b.jpg"]


def test_overlays_of_an_earlier_run_are_not_staged(tmp_path: Path) -> None:
    touch(tmp_path, "a.jpg", "a.overlay.jpg")
    assert names(tmp_path) == ["a.jpg"]


def test_a_named_file_is_tried_whatever_its_suffix(tmp_path: Path) -> None:
    touch(tmp_path, "scan.dat")
    (source,) = gather([tmp_path / "scan.dat"])
    assert source.trouble is None


def test_a_missing_file_stays_in_the_list_to_get_its_record(tmp_path: Path) -> None:
    assert names(tmp_path / "gone.jpg") == ["gone.jpg"]


def test_each_photo_comes_once(tmp_path: Path) -> None:
    touch(tmp_path, "a.jpg", "b.jpg")
    assert names(tmp_path / "b.jpg", tmp_path, tmp_path / "a.jpg") == ["b.jpg", "a.jpg"]


def test_a_folder_without_photos_says_so(tmp_path: Path) -> None:
    touch(tmp_path, "readme.txt")
    (source,) = gather([tmp_path])
    assert source.trouble is not None
    assert "no photo" in source.trouble


def test_a_pattern_the_shell_left_alone_is_expanded(tmp_path: Path) -> None:
    touch(tmp_path, "p2.jpg", "p10.jpg", "q.jpg")
    assert names(f"{tmp_path}/p*.jpg") == ["p2.jpg", "p10.jpg"]
    (source,) = gather([f"{tmp_path}/z*.jpg"])
    assert source.trouble is not None
    assert "No file matches" in source.trouble


def test_a_file_whose_name_looks_like_a_pattern_is_that_file(tmp_path: Path) -> None:
    touch(tmp_path, "plant[1].jpg")
    assert names(tmp_path / "plant[1].jpg") == ["plant[1].jpg"]


def test_links_in_a_circle_end(tmp_path: Path) -> None:
    touch(tmp_path, "a.jpg")
    (tmp_path / "loop").symlink_to(tmp_path, target_is_directory=True)
    assert names(tmp_path) == ["a.jpg"]


def test_a_folder_that_a_link_leads_to_is_searched_once_by_its_own_name_if_it_has_one(
    tmp_path: Path,
) -> None:
    touch(tmp_path, "disk/n.jpg", "season/South/s.jpg", "season/B/b.jpg", "other.jpg")
    season = tmp_path / "season"
    for name, target in (("North", "disk"), ("A", "season/B"), ("up", "."), ("xagain", "disk")):
        (season / name).symlink_to(tmp_path / target, target_is_directory=True)
    found = {source.path.name: source.folders for source in gather([season])}
    assert found == {"s.jpg": ("South",), "b.jpg": ("B",), "n.jpg": ("North",)}


def test_thumbnails_of_a_network_drive_are_passed_over(tmp_path: Path) -> None:
    touch(tmp_path, "a.jpg", "@eaDir/a.jpg/thumb.jpg", "#recycle/b.jpg")
    assert names(tmp_path) == ["a.jpg"]


def test_a_locked_subfolder_is_named_and_the_rest_read(ordinary_user: Path) -> None:
    touch(ordinary_user, "a.jpg", "locked/b.jpg")
    (ordinary_user / "locked").chmod(0)
    sources = gather([ordinary_user])
    assert [source.path.name for source in sources] == ["a.jpg", "locked"]
    assert sources[1].trouble is not None
