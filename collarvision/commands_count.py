"""Commands about counting by hand: words in, calls to the rooms out."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from collarvision.answer import count_of
from collarvision.commandline import EXIT_OUTPUT, day_of, end_with, say, see_target, whole
from collarvision.commands_withdraw import withdraw_count

if TYPE_CHECKING:
    from collections.abc import Sequence

    from collarvision.survey import PlantRow
    from collarvision.survey.stopcounts import StopCount

_Field = Annotated[
    str | None, typer.Option(metavar="NAME", help="The field, where names are alike.")
]
_Visit = Annotated[
    str | None, typer.Option(metavar="DATE", help="The visit, where names are alike.")
]


def count(
    survey: Annotated[
        Path, typer.Argument(metavar="SURVEY", help="The survey to add to.", readable=False)
    ],
    what: Annotated[
        str,
        typer.Argument(
            metavar="PHOTO_OR_STOP",
            help="A photo's name, or 'stop 3' for a further plant that has no photo; with --field "
            "such a stop is made where it isn't there. 'stop 3, plant 2' counts that one again; "
            "--visit says of which visit.",
        ),
    ],
    who: Annotated[str, typer.Option(metavar="NAME", help="Who counted, or takes a count back.")],
    stage: Annotated[
        str | None,
        typer.Option(
            metavar="N", help="Visible collars, lost leaves included: 5 or V5, VE for none."
        ),
    ] = None,
    nodes: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            parser=whole("3"),
            help="Nodes that stand apart in the split stalk, up to that of the uppermost leaf with "
            "a collar; the first is leaf 5's (see `collarvision splitstalk`).",
        ),
    ] = None,
    height: Annotated[
        str | None, typer.Option(metavar="HEIGHT", help="Measured height, such as '14 in'.")
    ] = None,
    note: Annotated[str | None, typer.Option(metavar="WORDS", help="Anything to keep.")] = None,
    withdraw: Annotated[
        str | None,
        typer.Option(
            metavar="WHY",
            help="Take back a plant that was counted at a stop by mistake ('stop 3, plant 2'): it "
            "stays on the record and counts no longer. --who is who takes it back.",
        ),
    ] = None,
    counted_by: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="With --withdraw: take back this person's counts alone."),
    ] = None,
    field: _Field = None,
    visit: _Visit = None,
) -> None:
    """Add a count made by hand; it outranks the reading, and earlier counts are kept."""
    from collarvision.countwords import (
        counted_words,
        doubtful_words,
        later_count,
        later_words,
        refused_words,
        withdrawal_words,
    )
    from collarvision.pickplant import PickError, pick
    from collarvision.plantphotos import counts_on, plants_of_stop, whole_plant
    from collarvision.splitstalk import NodeCountError, collars_from_nodes
    from collarvision.survey import HandCount, SurveyError, SurveyWriter
    from collarvision.survey.stopcounts import plants_at, stop_of
    from collarvision.table import plain
    from collarvision.units import UnitError, read_length_mm

    if not who.strip():
        end_with("--who is empty: a count is kept under a name.")
    if withdraw is not None:
        if any(one is not None for one in (stage, nodes, height, note)):
            end_with(
                "--withdraw takes a count back and says why: give no --stage, --nodes, --height or "
                "--note with it, and count anew in another call."
            )
        if not withdraw.strip():
            end_with("--withdraw is empty: say why the count is taken back.")
        day = day_of(visit, "--visit")
        on = None if day is None else day.isoformat()
        withdraw_count(
            survey,
            what,
            who.strip(),
            withdraw.strip(),
            counted_by=None if counted_by is None else counted_by.strip(),
            field=field,
            date=on,
        )
        return
    if counted_by is not None:
        end_with("--counted-by goes with --withdraw; --who says who counted.")
    collars = None if stage is None else _collars(stage)
    height_mm = None
    try:
        if height is not None:
            height_mm = float(read_length_mm(height))
        from_nodes = None if nodes is None else collars_from_nodes(nodes)
    except UnitError as error:
        end_with(f"--height: {error}")
    except NodeCountError as error:
        end_with(f"--nodes {nodes}: {error}")
    if height_mm is not None and not 0 < height_mm <= 5000:
        end_with(f"--height {height!r} isn't the height of a corn plant: check the unit.")
    told = collars if collars is not None else None if from_nodes is None else from_nodes.collars
    if told is not None and height_mm is not None:
        refused = refused_words(told, height_mm, height)
        if refused is not None:
            end_with(refused)
    if collars is None and from_nodes is None and height_mm is None:
        end_with(
            "Nothing was counted: give --stage, --nodes or --height (a height alone only for a "
            "plant that has a photo or was counted before)."
        )
    day = day_of(visit, "--visit")
    way = "split-stalk" if nodes is not None and collars is None else "on-plant"
    made = HandCount(
        who.strip(),
        datetime.now(UTC).isoformat(timespec="seconds"),
        collars,
        nodes,
        height_mm,
        note,
        way,  # type: ignore[arg-type]
    )
    try:
        with SurveyWriter(survey) as store:
            on = None if day is None else day.isoformat()
            picked = pick(store, what, field=field, date=on)
            if picked.photo is not None:
                store.add_hand_count(picked.photo.sha256, made)
                plant = whole_plant(store, picked.photo)
                kept = [one for one, _ in counts_on(store, plant)]
            else:
                counted_before = picked.plant is not None and picked.plant.counts
                if not counted_before and collars is None and from_nodes is None:
                    end_with("A height alone tells no stage: give --stage or --nodes too.")
                if picked.plant is not None:
                    plant_id = picked.plant.id
                    store.count_stop_plant_again(plant_id, made)
                else:
                    place = picked.new_stop if picked.stop is None else picked.stop.id
                    assert place is not None
                    plant_id = store.add_stop_count(place, made)
                of_stop = plants_at(store, stop_of(store, plant_id))
                there = [plain(row.photo) for row in plants_of_stop(store, of_stop[0])]
                kept = next(list(plant.counts) for plant in of_stop if plant.id == plant_id)
    except PickError as error:
        end_with(str(error))
    except SurveyError as error:
        end_with(str(error), EXIT_OUTPUT)
    said = []
    if collars is not None:
        said.append(count_of(collars, "collar"))
    elif from_nodes is not None:
        said.append(
            f"{from_nodes.collars} collars from {nodes} nodes apart, with a "
            f"{from_nodes.one_more:.0%} chance of one more"
        )
    if height_mm is not None:
        assert height is not None
        said.append(f"{height.strip()} tall")
    say(f"{picked.words}: {', '.join(said)}, counted by {who.strip()}.")
    if collars is not None and from_nodes is not None:
        off = collars - from_nodes.collars
        if off not in (0, 1):
            say(
                f"The nodes say {from_nodes.collars} collars and you counted {collars}: the "
                "collars stand; look again if that surprises you."
            )
    if (doubt := doubtful_words(kept, told, height, height_mm)) is not None:
        say(doubt)
    later = later_count(kept, made)
    if picked.photo is not None:
        _say_what_was_read(picked.photo, told, height, height_mm)
    elif picked.plant is not None:
        if not picked.plant.counts:
            say(f"It was {withdrawal_words(picked.plant.withdrawn_last)} Now it counts again.")
        before = counted_words(picked.plant.count)
        if before is not None and later is None:
            height_alone = collars is None and from_nodes is None
            say(
                f"It stays {before}."
                if height_alone
                else f"It was {before}: the last count stands."
            )
    else:
        _say_which_plant(survey, of_stop, there)
    if later is not None:
        say(later_words(later))


def _say_which_plant(survey: Path, of_stop: Sequence[StopCount], photographed: list[str]) -> None:
    """Say which plant of its stop was counted, the last of these, and how to count one again."""
    from collarvision.countwords import beside_words, stands_words, typed
    from collarvision.table import plain

    *others, plant = of_stop
    assert plant.count is not None  # as it was just made
    beside = instead = ""
    if others:
        last = others[-1]
        beside = f"; {last.called} stays {stands_words(last)}"
        instead = f' (or "{plain(last.name)}")'
    say(f"This is {plant.called} of {plain(plant.at)}{beside}.")
    if photographed:
        say(beside_words(photographed))
    visit = "" if plant.date is None else f" --visit {plant.date}"
    call = (
        f"collarvision count {typed(str(survey))} {typed(plant.name)} --field "
        f"{typed(plant.field)}{visit} --stage N --who {typed(plant.count.who)}"
    )
    say(
        'Counted by mistake? The call below takes it back with --withdraw "WHY" in place of '
        "--stage N."
    )
    say(f"To put a count right: {call}{instead}")


def _say_what_was_read(
    photo: PlantRow, collars: int | None, height: str | None, height_mm: float | None
) -> None:
    """Say where a count differs from the reading, and ask again where it may be a slip."""
    from collarvision.answer import height_in_doubt, stage_name
    from collarvision.units import Shown, shown_here, unit_of_length

    read, slip = [], False
    if collars is not None and photo.stage is not None and photo.stage != collars:
        read.append(stage_name(photo.stage))
        slip = abs(photo.stage - collars) >= FAR_LEAVES
    if height is not None and height_mm is not None and photo.height_mm is not None:
        interval = photo.record.get("height_interval_mm")
        low, high = interval or (photo.height_mm, photo.height_mm)
        if not low / FAR_HEIGHT <= height_mm <= high * FAR_HEIGHT:
            unit = unit_of_length(height)
            shown = Shown(unit) if unit in ("in", "cm", "mm") else shown_here()  # type: ignore[arg-type]
            basis = photo.record.get("height_basis")
            doubt = "?" if height_in_doubt(photo.height_mm, interval, basis) else ""
            read.append(shown.height(photo.height_mm) + doubt)
            slip = True
    if read:
        asked = " If that was a slip, count again: the last count stands." if slip else ""
        say(f"The reading had said {' and '.join(read)}.{asked}")


def together(
    survey: Annotated[
        Path, typer.Argument(metavar="SURVEY", help="The survey with the photos.", readable=False)
    ],
    photos: Annotated[
        list[str],
        typer.Argument(metavar="PHOTO", help="Names of photos of one plant; two or more."),
    ],
    apart: Annotated[
        bool, typer.Option("--apart", help="Take it back: each shows a plant of its own.")
    ] = False,
    field: _Field = None,
    visit: _Visit = None,
) -> None:
    """Say that photos show one plant, from its sides: they give one answer and count once."""
    from collarvision.countwords import counted_words, differing_words, typed
    from collarvision.pickplant import PickError, pick
    from collarvision.plantphotos import counts_on, whole_plant
    from collarvision.survey import SurveyError, SurveyWriter
    from collarvision.survey.oneplant import FROM_ABOVE, OnePictureError
    from collarvision.table import percent_sure, shown_stage

    day = day_of(visit, "--visit")
    try:
        with SurveyWriter(survey) as store:
            on = None if day is None else day.isoformat()
            picked = [pick(store, one, field=field, date=on) for one in dict.fromkeys(photos)]
            rows = {one.photo.sha256: one.photo for one in picked if one.photo is not None}
            bare = [one.words for one in picked if one.photo is None]
            if bare:
                end_with(f"{bare[0]} is no photo: name photos.")
            if any(row.view != "side" for row in rows.values()):
                end_with(f"{FROM_ABOVE}: name photos from the side.")
            if apart:
                store.say_own_plants(rows)
                say(f"{count_of(len(rows), 'photo')}: each shows a plant of its own.")
                return
            if len(rows) < 2:
                end_with("Name two or more photos of the plant.")
            places = {(row.field, row.date, row.stop) for row in rows.values()}
            if len(places) > 1 or any(row.field is None for row in rows.values()):
                filed = ", ".join(one.words for one in picked)
                end_with(
                    f"Photos of one plant must be of one field, one visit and one stop: {filed}."
                )
            try:
                name = store.say_one_plant(rows)
            except OnePictureError as error:
                for other in list(rows)[1:]:  # as plants of their own they'd count twice
                    store.say_one_picture(next(iter(rows)), other)
                end_with(f"{error} It counts once.")
            first = store.plant(next(iter(rows)))
            assert first is not None
            plant = whole_plant(store, first)
            differing = differing_words(counts_on(store, plant))
    except PickError as error:
        end_with(str(error))
    except SurveyError as error:
        end_with(str(error), EXIT_OUTPUT)
    shown = f"Plant {name}, {count_of(1 + len(plant.others), 'photo')}"
    counted = counted_words(plant.hand_count)
    if counted is not None:
        # A count outranks the reading: why that was unsure asks for nothing any more.
        say(f"{shown}: {counted}.")
        if differing is not None:
            named = [typed(one) for one in (str(survey), *photos)]
            named += ["--field", typed(field)] if field else []
            named += ["--visit", on] if on else []
            back = f"collarvision together {' '.join(named)} --apart"
            say(f"{differing} If they show more plants than one, take it back: {back}")
        return
    stage = shown_stage(plant.stage, plant.outcome, plant.confidence)
    sure = "" if plant.confidence is None else f", {percent_sure(plant.confidence)} sure"
    outcome = "staged" if plant.outcome == "staged" else "count it by hand"
    say(f"{shown}: {stage}{sure}; {outcome}.")
    for reason in plant.record["reasons"]:
        say(f"  {reason}")


FAR_LEAVES = 3
"""From this distance to the reading a count may be a slip of the pen; a network's error is mostly
one. Our own choice."""

FAR_HEIGHT = 1.5
"""So many times beyond either end of the reading's interval a height may be a slip of the pen or of
the unit. A tape and a reading that took another leaf for the highest differ by less. Our own
choice."""


def splitstalk(
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write a page (HTML) with a drawing.", readable=False),
    ] = None,
) -> None:
    """Show how to count from the nodes of a split stalk when lower leaves are lost."""
    import textwrap

    from collarvision.splitstalk import KNOWN_ERROR, STEPS

    if out is not None:
        from collarvision.report import write_split_stalk_page
        from collarvision.wholefile import HTML
        from collarvision.writing import OutputError

        see_target("--out", out, HTML)
        try:
            write_split_stalk_page(out)
        except OutputError as error:
            end_with(str(error), EXIT_OUTPUT)
        say(f"Wrote {out}.")
        return
    typer.echo("Counting leaves in a split stalk, when lower leaves are lost\n")
    for number, step in enumerate(STEPS, start=1):
        typer.echo(textwrap.fill(step, 76, initial_indent=f"{number}. ", subsequent_indent="   "))
    typer.echo("\n" + textwrap.fill(KNOWN_ERROR, 76))
    typer.echo("\nEnter it: collarvision count SURVEY PHOTO --nodes N --who NAME")


def _collars(text: str) -> int:
    import re

    match = re.fullmatch(r"[vV]?(\d{1,2})|[vV][eE]", text.strip())
    if match is None:
        end_with(f"--stage {text!r} isn't a count of collars: write 5 or V5, or VE for none.")
    collars = int(match[1] or 0)
    if collars > 22:
        end_with(f"--stage {text}: corn makes 16 to 22 leaves; count again.")
    return collars
