"""How are times, lengths and angles told? Local, with how far away, and with their unit."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

from flask import Flask, session

from web import answers, packages, words
from web.session import now, venue_of, zone


def clock(instant: datetime | None) -> str:
    """Return the local time of day: 17:25."""
    return "–" if instant is None else f"{instant.astimezone(zone()):%H:%M}"


def day(moment: date | datetime | None) -> str:
    """Return the local date: Sat 24 Oct, with the year when it is not this one."""
    if moment is None:
        return "–"
    local = moment.astimezone(zone()).date() if isinstance(moment, datetime) else moment
    year = "" if local.year == now().astimezone(zone()).year else f" {local.year}"
    return f"{local:%a} {local.day} {local:%b}{year}"


def when(instant: datetime | None) -> str:
    """Return time and date: 17:25 on Sat 24 Oct; only the time when it is today."""
    if instant is None:
        return "–"
    today = now().astimezone(zone()).date()
    if instant.astimezone(zone()).date() == today:
        return f"{clock(instant)} today"
    return f"{clock(instant)} on {day(instant)}"


def span(length: timedelta | float | None) -> str:
    """Return a length of time, given as such or in minutes: 21 min, 2 h 05, 3 days 4 h."""
    if length is None:
        return "–"
    minutes = round(length.total_seconds() / 60 if isinstance(length, timedelta) else length)
    if minutes < 60:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {rest:02d}"
    days, hours = divmod(hours, 24)
    return f"{days} days {hours} h" if hours else f"{days} days"


def away(instant: datetime | None) -> str:
    """Return how far away an instant is: in 2 h 05, 4 min ago, now."""
    if instant is None:
        return ""
    distance = instant - now()
    if abs(distance) < timedelta(seconds=45):
        return "now"
    return f"in {span(distance)}" if distance > timedelta() else f"{span(-distance)} ago"


def seconds(length_s: float | None) -> str:
    """Return a short length of time, given in seconds: 42 s, 21 min."""
    if length_s is None:
        return "–"
    return f"{length_s:.0f} s" if length_s < 90 else span(length_s / 60)


def mm(length_mm: float | None, digits: int = 0) -> str:
    """Return a length: 210 mm; 8.27 in where somebody asked for inches."""
    if length_mm is None:
        return "not known"
    if session.get("units") == "inch":
        return f"{length_mm / 25.4:.{digits + 2}f} in"
    return f"{length_mm:.{digits}f} mm"


_LENGTH = re.compile(r"(\d+(?:\.\d+)?) mm\b")


def bare_mm(length_mm: float) -> str:
    """Return a length as a bare number, for pictures whose legend tells the unit: 22.1; 0.87 in inches."""
    return mm(length_mm, 1).split(" ")[0]


def percent(share: float | None, digits: int = 0) -> str:
    """Return a share: 72 %."""
    return "–" if share is None else f"{100 * share:.{digits}f} %"


def lengths(sentence: str) -> str:
    """Return a sentence with its lengths as somebody reads them: 1.2 mm wide, or 0.047 in wide for inches."""
    if session.get("units") != "inch":
        return sentence
    return _LENGTH.sub(lambda told: mm(float(told[1]), len(told[1].partition(".")[2])), sentence)


def measure(value: float, unit: str) -> str:
    """Return what was measured of a finding, with its unit: 1.2 mm, or 0.0472 in for inches."""
    return lengths(f"{value:.4g} {unit}".strip())


def money(amount_of_money: float, currency: str = "") -> str:
    """Return an amount of money: 12.40 EUR; without a currency the bare number."""
    return f"{amount_of_money:.2f} {currency}".strip()


def turn(angle_deg: float, positive: str, negative: str) -> str:
    """Return an angle by its side: 12° right."""
    if abs(angle_deg) < 0.05:
        return "0°"
    return f"{abs(angle_deg):.4g}° {positive if angle_deg > 0 else negative}"


def spot(longitude_deg: float, latitude_deg: float) -> str:
    """Return a place on the skin in words: 12° left of the front mark, 5° above the waist."""
    east = (longitude_deg + 180.0) % 360.0 - 180.0  # 225° right is 135° left
    side = f"{turn(east, 'right', 'left')} of the front mark" if abs(east) >= 0.05 else "at the front mark"
    height = turn(latitude_deg, "above", "below")
    return f"{side}, {height if abs(latitude_deg) >= 0.05 else 'at'} the waist"


def amount(count: int, one: str, many: str | None = None) -> str:
    """Return a count with its noun: 1 job, 2 jobs, no jobs."""
    noun = one if count == 1 else (many or f"{one}s")
    return f"{count or 'no'} {noun}"


def listed(names: Any, most: int = 12) -> str:
    """Return names as a phrase: Wren, Heron and Otter; the rest as a count."""
    found = [str(name) for name in names]
    if len(found) > most:
        return f"{', '.join(found[:most])} and {len(found) - most} more"
    return " and ".join(part for part in (", ".join(found[:-1]), found[-1] if found else "") if part)


def _picture_filter(app: Flask) -> Callable[[str], str]:
    """Return the filter for small pictures; a page asks it hundreds of times."""
    folder_of_all = venue_of(app).settings.packages
    url_for: Callable[..., str] = app.jinja_env.globals["url_for"]  # type: ignore[assignment]

    def small_picture(thumbnail: str) -> str:
        """Return the address of a lit look in small; empty where the picture is not on disk."""
        changed = packages.changed_ns(folder_of_all, thumbnail) if thumbnail else None
        if changed is None:
            return ""
        folder = thumbnail.rpartition("/")[0]
        return url_for("jobs.small_picture", folder=folder, v=format(changed, "x"))

    return small_picture


def register(app: Flask) -> None:
    """Give the filters to an application's templates.

    Parameters
    ----------
    app : Flask
        The application [-].
    """
    for given in (
        clock,
        day,
        when,
        span,
        away,
        seconds,
        mm,
        bare_mm,
        percent,
        money,
        lengths,
        measure,
        turn,
        spot,
        amount,
        listed,
        _picture_filter(app),
        answers.briefly,
    ):
        app.add_template_filter(given)
    app.jinja_env.globals.update(mark=words.mark, tier_words=words.TIERS)
