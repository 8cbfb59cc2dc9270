"""Field names: what is said of one that isn't known."""

from __future__ import annotations

from collarvision.fieldnames import listed, meant


def test_a_near_name_is_asked_after_and_else_all_are_named():
    known = ["Owl Forty", "Heron Slope"]
    assert meant("owl fourty", known) == "did you mean 'Owl Forty'?"
    assert meant("zzz", known) == "it has Owl Forty, Heron Slope."
    # Four letters in common are no slip of the keys: the list is more use than a guess.
    assert meant("Nope", known) == "it has Owl Forty, Heron Slope."
    assert meant("Heron Slop", known) == "did you mean 'Heron Slope'?"
    assert listed([f"F{k}" for k in range(13)]).endswith("F11, ...")
    assert listed(known) == "Owl Forty, Heron Slope"
