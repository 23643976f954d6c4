"""Who may use the page: sessions of paired browsers, and the one-time tokens that pair them.

All in memory: when the program ends, every session ends with it.
"""

from __future__ import annotations

import hmac
import secrets
import time
from dataclasses import dataclass, field, replace
from threading import Lock

TOKEN_S = 600.0  # a pairing token not used by then is void
SESSION_S = 90 * 86_400.0  # since it was last used
MOST_SESSIONS = 200
SEEN_STEP_S = 30.0


@dataclass(frozen=True)
class Session:
    """One browser; `csrf` is what its forms must bring along."""

    number: int
    device: str
    paired: bool
    csrf: str
    begun: float
    seen: float
    refused: int = 0  # photos refused since the last good one


@dataclass
class Sessions:
    """The sessions by the secret in their cookie, and the tokens not yet used; safe between threads."""

    _lock: Lock = field(default_factory=Lock)
    _open: dict[str, Session] = field(default_factory=dict)
    _tokens: dict[str, float] = field(default_factory=dict)
    _given: int = 0

    def begin(self, device: str, *, paired: bool) -> tuple[str, Session]:
        """Open a session and return its secret with it."""
        with self._lock:
            return self._begin(device, paired=paired)

    def _begin(self, device: str, *, paired: bool) -> tuple[str, Session]:
        now = time.time()
        if len(self._open) >= MOST_SESSIONS:
            del self._open[min(self._open, key=lambda secret: self._open[secret].seen)]
        self._given += 1
        secret = secrets.token_urlsafe(32)
        session = Session(self._given, device, paired, secrets.token_urlsafe(24), now, now)
        self._open[secret] = session
        return secret, session

    def find(self, secret: str | None) -> Session | None:
        """Return the session of a cookie, None where it has none or has ended."""
        now = time.time()
        with self._lock:
            session = self._open.get(secret or "")
            if session is None or secret is None:
                return None
            if now - session.seen > SESSION_S:
                del self._open[secret]
                return None
            if now - session.seen > SEEN_STEP_S:
                session = self._open[secret] = replace(session, seen=now)
            return session

    def token(self) -> str:
        """Return a new pairing token; those before it are void."""
        with self._lock:
            self._tokens = {secrets.token_urlsafe(16): time.time() + TOKEN_S}
            return next(iter(self._tokens))

    def pair(self, token: str, device: str) -> str | None:
        """Use a token up and return the secret of a new session; None where the token is not good."""
        with self._lock:
            for known, until in list(self._tokens.items()):
                if hmac.compare_digest(known.encode(), token.encode()):
                    del self._tokens[known]
                    return self._begin(device, paired=True)[0] if time.time() < until else None
            return None

    def listing(self) -> list[Session]:
        """Return all sessions, the last used first."""
        with self._lock:
            return sorted(self._open.values(), key=lambda session: -session.seen)

    def end(self, number: int) -> None:
        """End the session of that number."""
        with self._lock:
            self._open = {secret: each for secret, each in self._open.items() if each.number != number}

    def judged(self, number: int, *, refused: bool) -> None:
        """Count a refused photo of a session; a good one sets the count back."""
        with self._lock:
            for secret, each in self._open.items():
                if each.number == number:
                    self._open[secret] = replace(each, refused=each.refused + 1 if refused else 0)


def device_words(agent: str) -> str:
    """Name a device in plain words from what its browser says of itself, and nothing closer than that."""
    kinds = (
        ("iPhone", "iPhone"),
        ("iPad", "iPad"),
        ("Android", "Android phone or tablet"),
        ("Windows", "Windows PC"),
        ("Macintosh", "Mac"),
        ("Linux", "Linux PC"),
    )
    return next((words for sign, words in kinds if sign in agent), "another device")
