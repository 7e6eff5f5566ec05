"""Does somebody hold the device that was given to them? One-time codes by the time, after RFC 6238.

The secret of a person is made of the folder's own key and the person, so that none stands in the database.
"""

from __future__ import annotations

import hashlib
import hmac
from base64 import b32encode
from datetime import datetime
from urllib.parse import quote

from planner.database import tables

STEP_S, DIGITS = 30, 6  # RFC 6238, 5.2 and RFC 4226, 5.3: what every device knows
_AROUND = (0, -1, 1)  # steps; a clock may be off by one (RFC 6238, 5.2)
_SECRET_BYTES = 20  # RFC 4226, 4, R6


def secret_of(key: bytes, person: tables.Person) -> bytes:
    """Return a person's secret; one who is invited anew gets another one.

    Parameters
    ----------
    key : bytes
        Of the folder, which nobody else can read [-].
    person : Person
        Whose.
    """
    said = f"second factor {person.id} {person.name} {person.recorded_at.timestamp():.0f}"
    return hmac.new(key, said.encode(), hashlib.sha256).digest()[:_SECRET_BYTES]


def code_of(secret: bytes, step: int, digits: int = DIGITS) -> str:
    """Return the code of one step (RFC 4226, 5.3: dynamic truncation of HMAC-SHA-1).

    Parameters
    ----------
    secret : bytes
        Shared with the device [-].
    step : int
        Steps of 30 s since 1970 [-].
    digits : int
        Length of the code [-].
    """
    made = hmac.new(secret, step.to_bytes(8, "big"), hashlib.sha1).digest()
    start = made[-1] & 0x0F
    number = int.from_bytes(made[start : start + 4], "big") & 0x7FFF_FFFF
    return f"{number % 10**digits:0{digits}}"


def step_of(secret: bytes, typed: str, last: int, *, at: datetime) -> int | None:
    """Return the step whose code was typed; None where it is wrong, too old, or was used before.

    Parameters
    ----------
    secret : bytes
        Shared with the device [-].
    typed : str
        By the person; blanks do not count [-].
    last : int
        The last step that was used; a code works once (RFC 6238, 5.2) [-].
    at : datetime
        Now [-].
    """
    typed = "".join(typed.split())
    now = int(at.timestamp()) // STEP_S
    for around in _AROUND:
        step = now + around
        if step > last and hmac.compare_digest(code_of(secret, step).encode(), typed.encode()):
            return step
    return None


def address_for(secret: bytes, name: str) -> str:
    """Return what a device reads, as an address or as its picture.

    Parameters
    ----------
    secret : bytes
        Of the person [-].
    name : str
        Of the person [-].
    """
    told = b32encode(secret).decode().rstrip("=")
    return f"otpauth://totp/Lanternwright:{quote(name)}?secret={told}&issuer=Lanternwright"
