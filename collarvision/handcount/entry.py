"""Entry: who may come in from another machine, by a one-time code, and for how long.

A code lets one phone in and is then used up; it runs out by itself, and wrong tries wear it down.
All of it lives in memory: when the program ends, everybody is out.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

# No 0 O 1 I L: a code is read off one screen and typed on another.
ALPHABET: Final = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
CODE_LENGTH: Final = 8  # 31^8 codes: ten tries at one of them hit in 1 of 10^11
CODE_SECONDS: Final = 600.0
SESSION_SECONDS: Final = 12 * 3600.0
TRIES_A_MINUTE: Final = 5
TRIES_A_CODE: Final = 10
_MINUTE: Final = 60.0
_MOST_ADDRESSES: Final = 1000
_MOST_SESSIONS: Final = 200

Answer = Literal["in", "wrong", "too many", "run out"]


@dataclass(frozen=True)
class Code:
    """A code as shown, in two halves, and until when it is good, s of the gate's clock."""

    text: str
    until: float

    @property
    def shown(self) -> str:
        """With a dash, for reading out."""
        return f"{self.text[:4]}-{self.text[4:]}"


class Gate:
    """Codes, sessions and tries. Safe to use from several threads.

    Parameters
    ----------
    on_new_code : callable
        Told of each code that must be shown.
    clock : callable
        Seconds that only go forward.
    """

    def __init__(
        self,
        on_new_code: Callable[[Code], None] = lambda code: None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._lock = threading.Lock()
        self._clock, self._on_new_code = clock, on_new_code
        self._key = secrets.token_bytes(32)
        self._code: Code | None = None
        self._wrong = 0
        self._tries: dict[str, list[float]] = {}
        self._sessions: dict[bytes, float] = {}

    def code(self) -> Code:
        """The code that is good now; a new one where there is none."""
        with self._lock:
            code, fresh = self._current()
        if fresh:
            self._on_new_code(code)
        return code

    def enter(self, typed: str, address: str, session: str) -> Answer:
        """Try a code from an address; the session is let in when it is right."""
        with self._lock:
            now = self._clock()
            if self._too_many(address, now):
                return "too many"
            code, fresh = self._current()
            # Always compared in full, and in constant time: how long it takes tells nothing.
            right = hmac.compare_digest(_plain(typed).encode(), code.text.encode())
            if right and not fresh:
                self._code = None  # used up
                self._admit(session, now)
                self._tries.pop(address, None)
                answer: Answer = "in"
            else:
                self._wrong += 1
                answer = "run out" if fresh else "wrong"
                if self._wrong >= TRIES_A_CODE:
                    self._code = None
            code, renewed = self._current()
        if fresh or renewed:
            self._on_new_code(code)
        return answer

    def is_in(self, session: str) -> bool:
        """Whether this session was let in, not too long ago."""
        if not session:
            return False
        with self._lock:
            until = self._sessions.get(_digest(session))
            return until is not None and self._clock() < until

    def token(self, session: str) -> str:
        """The token that forms of this session must carry; nobody else can make it."""
        return hmac.new(self._key, session.encode(), hashlib.sha256).hexdigest()

    def is_token(self, session: str, token: str) -> bool:
        """Check a token, in constant time."""
        return hmac.compare_digest(self.token(session).encode(), token.encode())

    def _current(self) -> tuple[Code, bool]:
        now = self._clock()
        if self._code is not None and now < self._code.until:
            return self._code, False
        text = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
        self._code, self._wrong = Code(text, now + CODE_SECONDS), 0
        return self._code, True

    def _admit(self, session: str, now: float) -> None:
        self._sessions = {who: until for who, until in self._sessions.items() if now < until}
        while len(self._sessions) >= _MOST_SESSIONS:
            del self._sessions[min(self._sessions, key=lambda who: self._sessions[who])]
        self._sessions[_digest(session)] = now + SESSION_SECONDS

    def _too_many(self, address: str, now: float) -> bool:
        """Note a try; whether this address had too many of them in the last minute."""
        recent = [at for at in self._tries.get(address, []) if now - at < _MINUTE]
        if len(self._tries) >= _MOST_ADDRESSES and address not in self._tries:
            self._tries = {
                who: times for who, times in self._tries.items() if now - times[-1] < _MINUTE
            }
            if len(self._tries) >= _MOST_ADDRESSES:
                return True
        if len(recent) >= TRIES_A_MINUTE:
            self._tries[address] = recent
            return True
        self._tries[address] = [*recent, now]
        return False


def new_session() -> str:
    """A name for a session that nobody can guess."""
    return secrets.token_urlsafe(32)


def _plain(typed: str) -> str:
    return "".join(c for c in typed.upper() if c.isalnum())[:64]


def _digest(session: str) -> bytes:
    return hashlib.sha256(session.encode()).digest()
