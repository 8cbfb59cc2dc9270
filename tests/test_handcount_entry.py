"""Entry: codes that let one phone in, run out, and don't bear guessing."""

from __future__ import annotations

import inspect

from collarvision.handcount import entry
from collarvision.handcount.entry import (
    ALPHABET,
    CODE_LENGTH,
    CODE_SECONDS,
    SESSION_SECONDS,
    TRIES_A_CODE,
    TRIES_A_MINUTE,
    Code,
    Gate,
    new_session,
)


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def gate_at(clock: Clock) -> tuple[Gate, list[Code]]:
    shown: list[Code] = []
    return Gate(shown.append, clock), shown


def test_a_code_lets_one_session_in_once() -> None:
    gate, shown = gate_at(Clock())
    code = gate.code()
    assert len(code.text) == CODE_LENGTH
    assert set(code.text) <= set(ALPHABET)
    assert not gate.is_in("a")
    # As people type it: with the dash or a blank, in small letters.
    assert gate.enter(f" {code.shown.lower()} ", "192.0.2.7", "a") == "in"
    assert gate.is_in("a")
    assert not gate.is_in("b")
    assert not gate.is_in("")
    assert gate.enter(code.text, "192.0.2.8", "b") == "wrong"  # it was used up
    assert [code.text] != [shown[-1].text]  # and the next one is shown
    assert gate.enter(shown[-1].text, "192.0.2.8", "b") == "in"


def test_a_code_runs_out_and_the_next_is_shown() -> None:
    clock = Clock()
    gate, shown = gate_at(clock)
    code = gate.code()
    clock.now += CODE_SECONDS + 1
    assert gate.enter(code.text, "192.0.2.7", "a") == "run out"
    assert not gate.is_in("a")
    assert len(shown) == 2
    assert gate.enter(shown[-1].text, "192.0.2.7", "a") == "in"


def test_a_session_runs_out() -> None:
    clock = Clock()
    gate, _ = gate_at(clock)
    gate.enter(gate.code().text, "192.0.2.7", "a")
    clock.now += SESSION_SECONDS - 1
    assert gate.is_in("a")
    clock.now += 2
    assert not gate.is_in("a")


def test_tries_are_few_a_minute_from_one_address() -> None:
    clock = Clock()
    gate, _ = gate_at(clock)
    code = gate.code()
    for _ in range(TRIES_A_MINUTE):
        assert gate.enter("AAAAAAAA", "192.0.2.7", "a") == "wrong"
    assert gate.enter(code.text, "192.0.2.7", "a") == "too many"  # also the right one
    assert gate.enter(code.text, "192.0.2.8", "b") == "in"  # others aren't held up
    clock.now += 61
    assert gate.enter("AAAAAAAA", "192.0.2.7", "a") == "wrong"


def test_wrong_tries_from_anywhere_wear_a_code_down() -> None:
    gate, shown = gate_at(Clock())
    code = gate.code()
    for n in range(TRIES_A_CODE):
        assert gate.enter("AAAAAAAA", f"192.0.2.{n}", "a") == "wrong"
    assert gate.enter(code.text, "192.0.2.99", "a") == "wrong"
    assert shown[-1].text != code.text


def test_addresses_and_sessions_can_not_fill_the_memory() -> None:
    clock = Clock()
    gate, _ = gate_at(clock)
    for n in range(1200):
        gate.enter("AAAAAAAA", f"address {n}", "a")
    assert len(gate._tries) <= 1000
    clock.now += 61
    for n in range(300):
        gate.enter(gate.code().text, f"other {n}", f"session {n}")
    assert len(gate._sessions) <= 200
    assert gate.is_in("session 299")


def test_codes_and_tokens_are_compared_in_constant_time() -> None:
    # hmac.compare_digest is Python's word for it; == would end at the first wrong letter.
    for method in (Gate.enter, Gate.is_token):
        source = inspect.getsource(method)
        assert "hmac.compare_digest" in source
        assert "== code" not in source
    assert inspect.getsource(entry).count("secrets.") >= 3  # never `random`


def test_tokens_belong_to_a_session_and_a_run() -> None:
    gate, other = Gate(), Gate()
    session = new_session()
    assert gate.is_token(session, gate.token(session))
    assert not gate.is_token(session, gate.token(new_session()))
    assert not gate.is_token(session, other.token(session))
    assert not gate.is_token(session, "é" * 64)
