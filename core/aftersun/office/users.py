"""Who may work in the page from the network: a file of names, roles and salted scrypt hashes of passwords."""

from __future__ import annotations

import hmac
import json
import os
import re
import secrets
import threading
import time
import tomllib
from collections.abc import Mapping
from hashlib import scrypt
from pathlib import Path
from typing import Any

from aftersun.inventory.store.private import put_in_place, sibling, umask
from aftersun.model.errors import AftersunError

LOOK, OFFICE, MANAGER = ROLES = ("look", "office", "manager")
"""What each may: see; also log, answer and write; also take lists in, rank and change prices."""
LEAST_CHARACTERS = 12  # of a password (own choice)
# RFC 7914's scrypt; the cost is one of those in OWASP's cheat sheet on storing passwords (from memory): 32 MiB, thrice.
_N, _R, _P, _BYTES = 2**15, 8, 3, 32
_NAME = re.compile(r"[\w][\w .'-]{0,58}")
_MOST_FAILED, _WAIT_S = 5, 60  # of a name, and how long it then has to wait (own choice)


class Users:
    """The users of a file, read again once it was changed: who is taken out of it is out at once."""

    def __init__(self, path: Path) -> None:
        """Read them. Raises AftersunError if the file cannot be used."""
        self._path = path
        self._known: Mapping[str, Mapping[str, str]] = {}
        self._read_at: object = None
        self._failed: dict[str, list[float]] = {}
        self._one = threading.Lock()  # hash at a time: it takes memory
        if not self._users():
            raise AftersunError(f"Nobody is in {path}.", "Put somebody in with --add-user NAME.")

    def role(self, name: str) -> str:
        """Return the role of a user, "" if there is none of that name."""
        return self._users().get(name, {}).get("role", "")

    def enters(self, name: str, password: str) -> bool:
        """Tell whether a password is that of a user. Raises AftersunError if it was wrong too often just now."""
        now = time.monotonic()
        with self._one:
            recent = [at for at in self._failed.get(name, ()) if now - at < _WAIT_S]
            if len(recent) >= _MOST_FAILED:
                raise AftersunError("That was wrong too often.", f"Wait {_WAIT_S} seconds.")
            self._failed = {who: at for who, at in self._failed.items() if now - at[-1] < _WAIT_S}
            known = self._users().get(name)
            kept = known["scrypt"] if known else f"{_N}${_R}${_P}${'0' * 32}${'0' * 2 * _BYTES}"
            n, r, p, salt, wanted = kept.split("$")
            got = _hash(password, bytes.fromhex(salt), int(n), int(r), int(p))
            right = hmac.compare_digest(got, bytes.fromhex(wanted)) and known is not None
            if not right:
                self._failed[name] = [*recent, now]
            return right

    def _users(self) -> Mapping[str, Mapping[str, str]]:
        try:
            at = self._path.stat().st_mtime_ns
            if at != self._read_at:
                self._known, self._read_at = _read(self._path), at
        except OSError:
            self._known, self._read_at = {}, None  # without the file nobody is let in
        return self._known


def add_user(path: Path, name: str, role: str, password: str) -> None:
    """Put a user into a file, in the place of one of that name.

    Raises
    ------
    AftersunError
        If the name, role or password cannot be taken, or the file cannot be used.
    """
    if not _NAME.fullmatch(name) or role not in ROLES:
        raise AftersunError(
            f"'{name}' cannot be a name, or '{role}' a role.", f"Names have letters; roles are {', '.join(ROLES)}."
        )
    if len(password) < LEAST_CHARACTERS:
        raise AftersunError(f"A password has {LEAST_CHARACTERS} characters or more.", "Nobody was put in.")
    salt = secrets.token_bytes(16)
    kept = f"{_N}${_R}${_P}${salt.hex()}${_hash(password, salt, _N, _R, _P).hex()}"
    users = {**(_read(path) if path.exists() else {}), name: {"role": role, "scrypt": kept}}
    lines = [
        "# Who may work in the page. Take somebody out by taking the lines out; the passwords are not in here.",
        "",
    ]
    for who, about in users.items():
        lines += [f"[{json.dumps(who, ensure_ascii=False)}]", *(f'{key} = "{text}"' for key, text in about.items()), ""]
    made = sibling(path)
    with umask():
        made.write_text("\n".join(lines), encoding="utf-8")
    put_in_place(made, path, replace=True)


def _hash(password: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    return scrypt(password.encode(), salt=salt, n=n, r=r, p=p, maxmem=2 * 128 * n * r, dklen=_BYTES)


def _read(path: Path) -> Mapping[str, Mapping[str, str]]:
    try:
        if os.name == "posix" and path.stat().st_mode & 0o077:
            raise AftersunError(f"Others may read {path}.", "Make it private: chmod 600.")
        users: dict[str, Any] = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise AftersunError(f"The file of users {path} cannot be read.", "Make it with --add-user NAME.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise AftersunError(f"The file of users {path} is damaged.", "Make it anew with --add-user NAME.") from error
    shape = re.compile(rf"\d{{1,8}}\$\d{{1,3}}\$\d{{1,3}}\$[0-9a-f]{{32}}\$[0-9a-f]{{{2 * _BYTES}}}")
    for name, about in users.items():
        right = isinstance(about, dict) and about.get("role") in ROLES and shape.fullmatch(str(about.get("scrypt")))
        if not right:
            raise AftersunError(f"In {path} the lines of {name} are damaged.", "Put that user in again: --add-user.")
    return users
