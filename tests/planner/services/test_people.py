"""Do passwords, roles and tokens keep people out who should be out?"""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import Role
from planner.errors import Conflict, NotFound, Refused
from planner.services import people

AT = datetime(2026, 10, 21, 6, 0, tzinfo=UTC)
PASSWORD = "apple ladder seven rain"


def test_scrypt_is_the_published_one() -> None:
    """Expected: RFC 7914, section 12, third vector (N = 16384, r = 8, p = 1)."""
    made = people._scrypt("pleaseletmein", b"SodiumChloride", 14, 8, 1)
    assert made == hashlib.scrypt(b"pleaseletmein", salt=b"SodiumChloride", n=16384, r=8, p=1, dklen=32)
    assert made.hex().startswith("7023bdcb3afd7348461c06cd81fd38eb")


def test_a_password_fits_what_was_made_of_it_alone() -> None:
    """Two keys of one password differ by their salt; the words themselves are in neither."""
    one, other = people.key_of(PASSWORD), people.key_of(PASSWORD)
    assert one != other
    assert PASSWORD not in one
    assert people.fits(PASSWORD, one)
    assert people.fits(PASSWORD, other)
    assert not people.fits(PASSWORD + " ", one)
    assert not people.fits(PASSWORD, "broken")


@pytest.mark.parametrize(("rank", "may"), [("viewer", 1), ("hand", 2), ("lead", 3), ("keeper", 4)])
def test_each_role_may_all_that_the_ones_before_may(rank: str, may: int) -> None:
    """Viewer, hand, lead, keeper: in this order."""
    who = people.Who(1, "Ann", rank)
    assert [who.may(role) for role in Role] == [True] * may + [False] * (4 - may)


def test_short_and_obvious_passwords_are_refused(db: Session) -> None:
    """12 characters at least (OWASP ASVS 4.0.3, 2.1.1); the invitation stays open."""
    token = people.invite(db, Role.LEAD, by="Ann", at=AT)
    for password in ("elevenchars", "lanternwright", "x" * 201):
        with pytest.raises(Refused):
            people.accept_invitation(db, token, "Bea", password, at=AT)
    assert people.accept_invitation(db, token, "Bea", PASSWORD, at=AT).role == Role.LEAD


def test_signing_in_lasts_a_shift(db: Session) -> None:
    """14 hours; then, or when the person may sign in no more, the token stands for nobody."""
    person = people.accept_invitation(
        db, people.invite(db, Role.HAND, by="Ann", at=AT), "Tom", PASSWORD, at=AT
    )
    token = people.sign_in(db, "Tom", PASSWORD, "127.0.0.1", at=AT)
    assert token is not None
    assert people.signed_in(db, token, at=AT + timedelta(hours=13)) == people.Who(person.id, "Tom", "hand")
    assert people.signed_in(db, token, at=AT + timedelta(hours=15)) is None
    people.set_role(db, person.id, Role.HAND, active=False, by="Ann", at=AT)
    assert people.signed_in(db, token, at=AT) is None
    assert people.sign_in(db, "Tom", PASSWORD, "127.0.0.1", at=AT) is None


def test_the_last_keeper_stays(db: Session) -> None:
    """Somebody must be able to invite."""
    token = people.first_invitation(db, at=AT)
    assert token is not None
    only = people.accept_invitation(db, token, "Ann", PASSWORD, at=AT)
    assert people.first_invitation(db, at=AT) is None
    with pytest.raises(Conflict, match="only keeper"):
        people.set_role(db, only.id, Role.LEAD, by="Ann", at=AT)


def test_a_machine_token_is_kept_as_a_digest_and_can_be_taken_back(db: Session) -> None:
    """What the controller holds stands nowhere in the database; taken back, it is nobody's."""
    machine = tables.Machine(
        name="Wren", description="{}", digest="0", max_diameter_mm=320, fixture_class="ring",
        recorded_at=AT, recorded_by="Ann",
    )  # fmt: skip
    db.add(machine)
    db.flush()
    token = people.make_machine_token(db, machine.id, "controller", by="Ann", at=AT)
    row = people.machine_of_token(db, token)
    assert row is not None
    assert token not in (row.name, row.digest)
    people.revoke_machine_token(db, row.id, "lost", by="Ann", at=AT)
    assert people.machine_of_token(db, token) is None
    with pytest.raises(NotFound):
        people.revoke_machine_token(db, 999, "lost", by="Ann", at=AT)
