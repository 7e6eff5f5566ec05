"""Who may do what? People with roles, signing in, invitations that work once, and tokens of machines.

Only digests and keys are kept: what a person or a controller holds cannot be read out of the database.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from base64 import b64decode, b64encode
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import Role
from planner.errors import Conflict, NotFound, Refused, TooMany
from planner.services.changes import note
from planner.services.common import found, name_of, refuse_taken, word_of

# OWASP Password Storage Cheat Sheet, scrypt: N = 2^15, r = 8, p = 3 is one of its equal minimum choices
_LOG_N, _R, _P, _KEY_BYTES = 15, 8, 3, 32
_SHORTEST, _LONGEST = 12, 128  # OWASP ASVS 4.0.3, 2.1.1 and 2.1.2
_FEWEST_SIGNS = 6  # different ones: below it a password is a row of keys
INVITATION_H, SIGNED_IN_H = 48, 14  # a shift and its hand-over
TOLD_DAYS = 7  # so long a sign-in tells what was changed about it
_TRIES_NAME, _TRIES_ADDRESS, _TRIES_MIN = 5, 30, 15
_RANK = tuple(Role)
CREDENTIALS = "credentials"  # kind of the changes that are told at a sign-in


@dataclass(frozen=True, slots=True)
class Who:
    """Somebody who is signed in."""

    person_id: int | None
    name: str
    role: str

    def may(self, least: str) -> bool:
        """Return whether this role is at least another one."""
        return _RANK.index(Role(self.role)) >= _RANK.index(Role(least))


# --- passwords -----------------------------------------------------------------------------------------


def key_of(password: str) -> str:
    """Return what is kept of a password: figures of scrypt (RFC 7914), salt and key.

    Parameters
    ----------
    password : str
        As it was typed [-].
    """
    salt = secrets.token_bytes(16)
    key = _scrypt(password, salt, _LOG_N, _R, _P)
    return f"scrypt${_LOG_N}${_R}${_P}${b64encode(salt).decode()}${b64encode(key).decode()}"


def fits(password: str, kept: str) -> bool:
    """Return whether a password is the one of which `kept` was made."""
    try:
        name, log_n, r, p, salt, key = kept.split("$")
        if name != "scrypt":
            return False
        made = _scrypt(password, b64decode(salt), int(log_n), int(r), int(p))
    except ValueError:
        return False
    return hmac.compare_digest(made, b64decode(key))


def _scrypt(password: str, salt: bytes, log_n: int, r: int, p: int) -> bytes:
    memory = 128 * r * (2**log_n + p + 2)
    return hashlib.scrypt(
        password.encode(), salt=salt, n=2**log_n, r=r, p=p, dklen=_KEY_BYTES, maxmem=memory + 1_000_000
    )


def digest_of_token(token: str) -> str:
    """Return what is kept of a random token; it is long and random, so a plain digest is enough."""
    return hashlib.sha256(token.encode()).hexdigest()


def _good_password(password: str, name: str) -> str:
    if not _SHORTEST <= len(password) <= _LONGEST:
        raise Refused(
            f"the password has {len(password)} characters, expected {_SHORTEST} to {_LONGEST}; "
            "four words that do not belong together are easy to keep in mind"
        )
    if _easily_guessed(password.lower(), name.lower()):
        raise Refused("this password is easily guessed; take other words")
    return password


# what stands at the head of published lists of broken passwords, joined to the length asked for (from memory)
_COMMON = (
    "password", "passwort", "qwerty", "qwertz", "azerty", "letmein", "welcome", "iloveyou", "admin", "dragon",
    "monkey", "football", "sunshine", "princess", "master", "login", "abc", "halloween", "pumpkin", "lantern",
    "lanternwright", "changeme", "secret",
)  # fmt: skip
_ROWS = (
    "abcdefghijklmnopqrstuvwxyz",
    "01234567890123456789",
    "qwertyuiopasdfghjklzxcvbnm",
    "qwertzuiopasdfghjklyxcvbnm",
)


def _easily_guessed(password: str, name: str) -> bool:
    """Return whether a password is a common word or name and digits, a row of keys, or one thing repeated."""
    if len(set(password)) < _FEWEST_SIGNS:
        return True
    if any(password in row or password[::-1] in row for row in _ROWS):
        return True
    if any(len(password) % n == 0 and password == password[:n] * (len(password) // n) for n in range(1, 7)):
        return True
    left = password
    for word in (name, *sorted(_COMMON, key=len, reverse=True)):
        left = left.replace(word, "") if word else left
    return not left.strip("0123456789 !.?_-")


# --- invitations and people ----------------------------------------------------------------------------


def invite(db: Session, role: str, *, by: str, at: datetime) -> str:
    """Return a token that makes one person with a role, once, within two days.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    role : str
        One of `Role` [-].
    by : str
        Who invites [-].
    at : datetime
        When [-].
    """
    token = secrets.token_urlsafe(24)
    db.add(
        tables.OneTimeLink(
            digest=digest_of_token(token),
            role=word_of(Role, role, "role"),
            ends_at=at + timedelta(hours=INVITATION_H),
            recorded_by=by,
            recorded_at=at,
        )
    )
    db.flush()
    return token


def first_invitation(db: Session, *, at: datetime) -> str | None:
    """Return a token for the first lead, who also keeps the people; None where there is somebody already."""
    if db.scalar(select(func.count(tables.Person.id))):
        return None
    db.execute(delete(tables.OneTimeLink).where(tables.OneTimeLink.recorded_by == "first start"))
    return invite(db, Role.KEEPER, by="first start", at=at)


def open_invitation(db: Session, token: str, *, at: datetime) -> tables.OneTimeLink:
    """Return an invitation that still counts."""
    link = db.scalar(select(tables.OneTimeLink).where(tables.OneTimeLink.digest == digest_of_token(token)))
    if link is None or link.used_at is not None or link.ends_at < at:
        raise NotFound("this invitation was used already, or is older than two days; ask for another one")
    return link


def accept_invitation(db: Session, token: str, name: str, password: str, *, at: datetime) -> tables.Person:
    """Make the person whom an invitation is for.

    Parameters
    ----------
    db : Session
        An open session [-].
    token : str
        From `invite` [-].
    name : str
        Under which the person signs in and is named in every record [-].
    password : str
        12 characters or more [-].
    at : datetime
        When [-].
    """
    link = open_invitation(db, token, at=at)
    name = name_of(name, "name", 60)
    refuse_taken(db, tables.Person, tables.Person.name, name)
    person = tables.Person(
        name=name,
        role=link.role,
        password=key_of(_good_password(password, name)),
        recorded_by=link.recorded_by,
        recorded_at=at,
    )
    link.used_at = at
    db.add(person)
    db.flush()
    _tell(db, name, f"{name} came in as {person.role}, invited by {link.recorded_by}", by=name, at=at)
    return person


def set_role(
    db: Session, person_id: int, role: str, *, active: bool = True, by: str, at: datetime
) -> tables.Person:
    """Change what somebody may do, or let them sign in no more; the last keeper stays one.

    Parameters
    ----------
    db : Session
        An open session [-].
    person_id : int
        The person [-].
    role : str
        One of `Role` [-].
    active : bool
        Whether they may sign in [-].
    by : str
        Who changes it [-].
    at : datetime
        When [-].
    """
    person = found(db, tables.Person, person_id)
    word = word_of(Role, role, "role")
    others = select(func.count(tables.Person.id)).where(
        tables.Person.role == Role.KEEPER, tables.Person.active, tables.Person.id != person_id
    )
    if person.role == Role.KEEPER and (word != Role.KEEPER or not active) and not db.scalar(others):
        raise Conflict(f"{person.name} is the only keeper; make another one first")
    person.role, person.active = word, active
    db.execute(delete(tables.SignIn).where(tables.SignIn.person_id == person_id))
    told = f"{person.name} is {word} now" if active else f"{person.name} may sign in no more"
    _tell(db, person.name, told, by=by, at=at)
    return person


def _tell(db: Session, name: str, words: str, *, by: str, at: datetime) -> None:
    """Keep what was changed about somebody's signing in, to be told on the page of changes and to them."""
    note(db, CREDENTIALS, words, by=by, at=at, about=f"person {name}")


def lately_changed(db: Session, name: str, *, at: datetime) -> tuple[tables.Change, ...]:
    """Return what was changed about somebody's signing in during the last days, the newest first.

    Parameters
    ----------
    db : Session
        An open session [-].
    name : str
        Under which the person signs in [-].
    at : datetime
        Now [-].
    """
    change = tables.Change
    asked = select(change).where(
        change.kind == CREDENTIALS,
        change.about == f"person {name}"[:60],
        change.recorded_at > at - timedelta(days=TOLD_DAYS),
    )
    return tuple(db.scalars(asked.order_by(change.recorded_at.desc(), change.id.desc()).limit(3)))


# --- signing in ----------------------------------------------------------------------------------------


def _no_more_asked(person: tables.Person) -> bool:
    return True


def sign_in(
    db: Session,
    name: str,
    password: str,
    address: str,
    *,
    at: datetime,
    shows: Callable[[tables.Person], bool] = _no_more_asked,
) -> str | None:
    """Return a token for the device of somebody who knows the password; None where it is wrong.

    A wrong one is kept, so the caller must commit in both cases.

    Parameters
    ----------
    db : Session
        An open session [-].
    name, password : str
        As typed [-].
    address : str
        Where it was typed [-].
    at : datetime
        When [-].
    shows : callable
        Whether the person shows whatever else is asked for; a wrong code counts as a wrong password.
    """
    name = name.strip()[:120]
    _refuse_too_many(db, name, address, at)
    person = db.scalar(select(tables.Person).where(tables.Person.name == name, tables.Person.active))
    # an unknown name takes as long as a wrong password, so that names cannot be found out by time
    fitting = fits(password, person.password if person else _NOBODY) if len(password) <= _LONGEST else False
    if not fitting or person is None or not shows(person):
        db.add(tables.SignInTry(name=name, address=address[:64], tried_at=at))
        db.flush()
        return None
    db.execute(delete(tables.SignInTry).where(tables.SignInTry.name == name))
    return open_sign_in(db, person.id, at=at)


_NOBODY = f"scrypt${_LOG_N}${_R}${_P}${b64encode(bytes(16)).decode()}${b64encode(bytes(_KEY_BYTES)).decode()}"


def open_sign_in(db: Session, person_id: int, *, at: datetime) -> str:
    """Return a fresh token for a device of somebody who has shown who they are."""
    token = secrets.token_urlsafe(32)
    db.execute(delete(tables.SignIn).where(tables.SignIn.ends_at < at))
    db.add(
        tables.SignIn(
            person_id=person_id,
            digest=digest_of_token(token),
            started_at=at,
            ends_at=at + timedelta(hours=SIGNED_IN_H),
        )
    )
    db.flush()
    return token


def _refuse_too_many(db: Session, name: str, address: str, at: datetime) -> None:
    tried = tables.SignInTry
    since = at - timedelta(minutes=_TRIES_MIN)
    for column, value, most in ((tried.name, name, _TRIES_NAME), (tried.address, address, _TRIES_ADDRESS)):
        count = db.scalar(select(func.count(tried.id)).where(column == value, tried.tried_at > since)) or 0
        if count >= most:
            raise TooMany(f"too many wrong passwords; try again in {_TRIES_MIN} min, or ask a keeper")


def signed_in(db: Session, token: str, *, at: datetime) -> Who | None:
    """Return who holds a device's token; None where it ended or the person may sign in no more."""
    row = db.execute(
        select(tables.Person.id, tables.Person.name, tables.Person.role)
        .join(tables.SignIn, tables.SignIn.person_id == tables.Person.id)
        .where(
            tables.SignIn.digest == digest_of_token(token), tables.SignIn.ends_at > at, tables.Person.active
        )
    ).first()
    return Who(row.id, row.name, row.role) if row else None


def change_password(db: Session, person_id: int, old: str, new: str, address: str, *, at: datetime) -> bool:
    """Change somebody's password and end all their signings in; False where the old one is wrong.

    A wrong one is kept as a try, so the caller must commit in both cases.

    Parameters
    ----------
    db : Session
        An open session [-].
    person_id : int
        Who is signed in [-].
    old, new : str
        As typed [-].
    address : str
        Where it was typed [-].
    at : datetime
        When [-].
    """
    person = found(db, tables.Person, person_id)
    _refuse_too_many(db, person.name, address, at)
    if not fits(old, person.password):
        db.add(tables.SignInTry(name=person.name, address=address[:64], tried_at=at))
        db.flush()
        return False
    person.password = key_of(_good_password(new, person.name))
    db.execute(delete(tables.SignIn).where(tables.SignIn.person_id == person_id))
    words = f"the password of {person.name} was changed, at {address[:64]}"
    _tell(db, person.name, words, by=person.name, at=at)
    return True


def sign_out(db: Session, token: str) -> None:
    """End what a device's token stands for."""
    db.execute(delete(tables.SignIn).where(tables.SignIn.digest == digest_of_token(token)))


# --- tokens of machines --------------------------------------------------------------------------------


def make_machine_token(db: Session, machine_id: int, name: str, *, by: str, at: datetime) -> str:
    """Return a token for a machine's controller; it is told this once and kept as a digest.

    Parameters
    ----------
    db : Session
        An open session [-].
    machine_id : int
        The machine it speaks for [-].
    name : str
        What the controller is called [-].
    by : str
        Who makes it [-].
    at : datetime
        When [-].
    """
    found(db, tables.Machine, machine_id)
    token = "machine-" + secrets.token_urlsafe(32)
    db.add(
        tables.MachineToken(
            machine_id=machine_id,
            name=name_of(name, "name", 60),
            digest=digest_of_token(token),
            recorded_by=by,
            recorded_at=at,
        )
    )
    note(db, CREDENTIALS, f"a token for the controller {name.strip()!r} was made", by=by, at=at)
    return token


def revoke_machine_token(db: Session, token_id: int, reason: str, *, by: str, at: datetime) -> None:
    """Let a machine's token count no longer."""
    row = found(db, tables.MachineToken, token_id)
    if row.voided_at is not None:
        raise Conflict(f"the token {row.name!r} was taken back by {row.voided_by} already")
    row.void(name_of(reason, "reason", 400), by, at)
    note(db, CREDENTIALS, f"the token of the controller {row.name!r} was taken back", by=by, at=at)


def machine_of_token(db: Session, token: str) -> tables.MachineToken | None:
    """Return the token's row where it counts."""
    held = tables.MachineToken
    return db.scalar(select(held).where(held.digest == digest_of_token(token), held.voided_at.is_(None)))
