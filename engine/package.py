"""What does a job leave on disk? The job package: job.json, programs, sheet, lit look and flat picture."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import os
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from engine.chart import to_sheet
from engine.frames import lonlat_of
from engine.light import lit_look, png_bytes
from engine.prepare import WRITTEN_BY, PreparedJob
from engine.records import Floats, Severity, Treatment

CAUTION = (
    "This program does not guard, stop or supervise a machine. Follow your local law, the fire officer, "
    "the food and electrical authority and a competent, licensed person. Where this text differs, they win."
)
CHECKS = (
    "Piece number and carrier are those on this sheet",
    "Front mark faces front, stem the way shown; tug test done",
    "Clamp unchanged since the scan; three touches agree",
    "Proof mark of this machine is valid",
    "Cutter, stick-out and rpm are those on this sheet",
    "Guard shut, emergency stop tried, dry run watched",
)


def write_package(job: PreparedJob, folder: Path) -> dict[str, Any]:
    """Write the job package, all of it or nothing, and return what job.json says.

    Parameters
    ----------
    job : PreparedJob
        The prepared job.
    folder : Path
        Made when it is not there; files of an earlier package in it are replaced.
    """
    description = describe(job)
    look = png_bytes(lit_look(job.cut, job.surface, job.wall, job.rules))
    flat = flat_svg(job)
    files: dict[str, bytes] = {
        "lit.png": look,
        "flat.svg": flat.encode(),
        "sheet.html": sheet_html(description, look, flat).encode(),
    } | {name: text.encode() for name, text in job.programs}
    description["files"] = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    write_all_or_nothing(folder, files | {"job.json": json.dumps(description, indent=1).encode()})
    return description


def write_all_or_nothing(folder: Path, files: dict[str, bytes]) -> None:
    """Write files beside the folder first, then move them in; an earlier package's programs go.

    A new folder appears whole, by one move. In one that is there, `job.json` goes first and comes last: where
    the power fails between, the package says nothing and is made anew.
    """
    folder.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        new = beside / "new"
        new.mkdir()
        for name, content in files.items():
            (new / name).write_bytes(content)
            _on_disk(new / name)
        try:
            if not folder.exists():
                os.replace(new, folder)
                return
        except OSError:  # another one may have been faster
            if not folder.exists():
                raise
        _exchanged(folder, new, beside, sorted(files, key=lambda name: name == _MARK))
    finally:
        shutil.rmtree(beside, ignore_errors=True)


_MARK = "job.json"  # a folder that has it is a package


def _on_disk(path: Path) -> None:
    """Wait until a file is on the disk: a move must not come before what is moved."""
    file = os.open(path, os.O_RDONLY)
    try:
        os.fsync(file)
    finally:
        os.close(file)


def _exchanged(folder: Path, new: Path, beside: Path, names: Sequence[str]) -> None:
    """Put new files in the place of those of an earlier package, or put back what was there."""
    there = {p.name for p in folder.glob("program*.nc")} | {n for n in names if (folder / n).exists()}
    old = beside / "old"
    old.mkdir()
    moved: list[str] = []
    try:
        for name in sorted(there, key=lambda name: name != _MARK):
            (folder / name).rename(old / name)
        for name in names:
            moved.append(name)
            os.replace(new / name, folder / name)
    except BaseException:  # put back what was there: a mixture of two packages must never be cut
        for name in reversed(moved):
            (folder / name).unlink(missing_ok=True)
        for path in sorted(old.iterdir(), key=lambda path: path.name == _MARK):
            path.rename(folder / path.name)
        raise


def describe(job: PreparedJob) -> dict[str, Any]:
    """Return everything job.json holds: inputs by hash, frame, findings, times, lengths, wear, cutters."""
    used = sorted(set(job.toolpath.cutter.tolist()))
    deepest = max(
        float(np.linalg.norm(p.skin_work_mm - p.tips_work_mm[-1], axis=1).max()) for p in job.passes
    )
    first = job.passes[int(job.order.sequence[0])]
    place = job.chart.placement
    return {
        "job": job.names.job,
        "workpiece": job.names.workpiece,
        "written_by": WRITTEN_BY,
        "inputs": {"scan": job.scan.digest, "artwork": job.layers.digest, "machine": job.machine.digest},
        "machine": job.machine.name,
        "design": {
            "name": job.layers.name,
            "width_mm": round(job.layers.width_mm, 2),
            "height_mm": round(job.layers.height_mm, 2),
            "longitude_deg": round(float(np.degrees(place.longitude_rad)), 4),
            "latitude_deg": round(float(np.degrees(place.latitude_rad)), 4),
            "turn_deg": round(float(np.degrees(place.turn_rad)), 4),
            "mirror": place.mirror,
        },
        "frame": {
            "origin_mm": [round(float(v), 4) for v in job.surface.origin_seat_mm],
            "rotation": [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        },
        "surface": {
            "touches": len(job.surface.points_seat_mm),
            "noise_mm": round(job.surface.noise_mm, 3),
            "left_out_rms_mm": round(job.surface.rms_error_mm, 3),
        },
        "operations": _operations(job),
        "seconds": {
            "cutting": round(job.run.cutting_s, 1),
            "travel": round(job.run.travel_s, 1),
            "changes": round(job.run.change_s, 1),
            "total": round(job.run.total_s, 1),
        },
        "travel_order_s": {
            "nearest_neighbour": round(job.order.travel_nearest_s, 2),
            "ordered": round(job.order.travel_s, 2),
        },
        "cutting_mm": round(job.run.cutting_mm, 1),
        "travel_mm": round(job.run.travel_mm, 1),
        "deepest_mm": round(deepest, 1),
        "first_pass": first.name,
        "cutters": [
            {
                "name": job.cutters[i].name,
                "diameter_mm": job.cutters[i].diameter_mm,
                "stick_out_mm": job.cutters[i].stick_out_mm,
                "rpm": job.cutters[i].rpm,
                "cutting_m": round(job.run.cutting_mm_by_cutter[i] / 1000, 2),
                "minutes": round(job.run.cutting_s_by_cutter[i] / 60, 2),
                "wear": round(job.wear[i], 5),
            }
            for i in used
        ],
        "proof": proof_figures(job),
        "likeness": likeness_figures(job),
        "findings": [{**asdict(f), "severity": str(f.severity)} for f in job.findings],
        "programs": [name for name, _ in job.programs],
    }


def proof_figures(job: PreparedJob) -> dict[str, float]:
    """Return the figures of the virtual cut, in millimetres."""
    cut = job.cut
    figures = {
        "outline_median_mm": cut.outline_median_mm,
        "outline_p99_mm": cut.outline_p99_mm,
        "outline_max_mm": cut.outline_max_mm,
        "outside_mm": cut.outside_mm,
        "outside_mm2": cut.outside_mm2,
        "depth_median_mm": cut.depth_median_mm,
        "depth_max_mm": cut.depth_max_mm,
        "lost_mm2": cut.lost_mm2,
        "travel_inside_mm": cut.travel_inside_mm,
    }
    return {name: round(float(value), 4) for name, value in figures.items()}


def likeness_figures(job: PreparedJob) -> dict[str, float] | None:
    """Return how alike a relief's lit look is to what was meant [-], None without a relief in sight."""
    if job.likeness is None:
        return None
    return {
        "ideal_wall": round(job.likeness.ideal_wall, 4),
        "wanted_tones": round(job.likeness.wanted_tones, 4),
    }


def likeness_words(likeness: dict[str, float] | None) -> str:
    """Return in words what `likeness_figures` says [-], nothing without a relief."""
    if likeness is None:
        return ""
    return (
        f"lit look (1 = the same): {likeness['ideal_wall']:.3f} to that of the ideal wall, "
        f"{likeness['wanted_tones']:.3f} to the wanted tones"
    )


def _operations(job: PreparedJob) -> list[dict[str, Any]]:
    rows = []
    for index in job.order.sequence:
        one = job.passes[int(index)]
        rows.append(
            {
                "pass": one.name,
                "phase": str(one.phase),
                "cutter": job.cutters[one.cutter].name,
                "levels": len(one.tips_work_mm),
                "along_centre": one.along_centre,
                "overcut_mm": round(one.overcut_mm, 3),
                "after": [job.passes[i].name for i in one.after],
                "reasons": [*one.reasons, *one.apart_reasons],
            }
        )
    return rows


# --- the flat picture ----------------------------------------------------------------------------------


def flat_svg(job: PreparedJob) -> str:
    """Return the regions and the order of the passes on the unrolled skin, as seen from outside."""
    w, h = job.layers.width_mm + 16, job.layers.height_mm + 16
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" '
        f'viewBox="{-w / 2:.1f} {-h / 2:.1f} {w:.1f} {h:.1f}">',
        f"<title>{html.escape(job.layers.name)}: regions and order on the unrolled skin, "
        "seen from outside</title>",
    ]
    for region in job.layers.regions:
        parts.append(
            f'<path class="{region.treatment}" fill-rule="evenodd" {_paint(region.treatment)} '
            f'd="{_outline(region.polygon)}"/>'
        )
    if job.layers.tones is not None:
        parts.append(_tone_image(job))
    way = []
    numbered = []
    for number, (index, entry) in enumerate(zip(job.order.sequence, job.order.entries, strict=True), 1):
        one = job.passes[int(index)]
        line = to_sheet(job.chart, *lonlat_of(one.skin_work_mm))
        if len(line) < 400 and not _jumps(line):
            closed = " Z" if one.closed else ""
            parts.append(f'<path fill="none" stroke="#000" stroke-width="0.4" d="{_path(line)}{closed}"/>')
        way.append(line[int(entry) % len(line)])
        numbered.append((number, way[-1]))
    parts.append(
        f'<polyline fill="none" stroke="#000" stroke-width="0.3" stroke-dasharray="1.5 1.5" '
        f'points="{" ".join(f"{x:.1f},{-y:.1f}" for x, y in way)}"/>'
    )
    if len(numbered) <= 150:
        parts += [
            f'<circle cx="{x:.1f}" cy="{-y:.1f}" r="0.9"/>'
            f'<text x="{x + 1.2:.1f}" y="{-y - 0.8:.1f}" font-size="4.5" font-family="sans-serif">'
            f"{number}</text>"
            for number, (x, y) in numbered
        ]
    parts.append(
        f'<path d="M0 {-h / 2 + 1:.1f} l-2 4 h4 z"/>'
        f'<text x="3" y="{-h / 2 + 5:.1f}" font-size="4">up</text></svg>'
    )
    return "\n".join(parts)


def _jumps(line: Floats) -> bool:
    return bool(len(line) > 1 and np.abs(np.diff(line[:, 0])).max() > 60)


def _paint(treatment: Treatment) -> str:
    colours = {
        Treatment.OPENING: "#f4c542",
        Treatment.RELIEF: "#d9b98a",
        Treatment.SHAVE: "#e8ddc4",
        Treatment.KEEP: "none",
    }
    dash = ' stroke-dasharray="2 1"' if treatment is Treatment.KEEP else ""
    return f'fill="{colours[treatment]}" stroke="#555" stroke-width="0.3"{dash}'


def _outline(polygon: Any) -> str:
    return " ".join(
        _path(np.asarray(ring.coords)[:, :2]) + " Z" for ring in (polygon.exterior, *polygon.interiors)
    )


def _path(points: Floats) -> str:
    return "M" + " L".join(f"{x:.2f} {-y:.2f}" for x, y in points)


def _tone_image(job: PreparedJob) -> str:
    tones = job.layers.tones
    assert tones is not None
    h, w = tones.luminance.shape
    grey = np.where(tones.mask, np.clip(tones.luminance, 0, 1) ** (1 / 2.2), 1.0) * 255
    picture = base64.b64encode(png_bytes(np.repeat(grey.astype(np.uint8)[..., None], 3, axis=2))).decode()
    wide, high = w * tones.pixel_mm, h * tones.pixel_mm
    return (
        f'<image x="{-wide / 2:.2f}" y="{-high / 2:.2f}" width="{wide:.2f}" height="{high:.2f}" '
        f'preserveAspectRatio="none" href="data:image/png;base64,{picture}"/>'
    )


# --- the sheet -----------------------------------------------------------------------------------------

_STYLE = """
@page { margin: 12mm }
body { font: 12pt/1.3 sans-serif; color: #000; background: #fff; margin: 0 auto; max-width: 190mm }
h1 { font-size: 20pt; margin: 0 } .pictures { display: flex; gap: 6mm; align-items: center; margin: 3mm 0 }
.pictures img { width: 62mm; border: 1px solid #000 } .pictures svg { width: 116mm; max-height: 78mm }
table { border-collapse: collapse; width: 100% }
th, td { border: 1px solid #000; padding: 1mm 2mm; text-align: left }
ul.checks { list-style: none; padding: 0; columns: 2 }
ul.checks li::before { content: "\\2610\\00a0"; font-size: 15pt }
.caution { border: 2px solid #000; padding: 2mm; font-size: 12pt }
.blank { display: inline-block; width: 22mm; border-bottom: 1px solid #000 }
.mirror { font-weight: bold; font-size: 16pt }
"""


def _minded(findings: Sequence[dict[str, Any]]) -> list[str]:
    """Return the findings in words, those that differ by their place alone as one."""
    alike: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for one in findings:
        if one["severity"] != Severity.REFUSE:
            bare = one["text"].replace(one["place"], "", 1) if one["place"] else one["text"]
            alike.setdefault((bare, one["fix"]), []).append(one)
    told = []
    for (_, fix), group in alike.items():
        words = f"{group[0]['text']}: {fix}." if fix else f"{group[0]['text']}."
        more = ", ".join(one["place"] for one in group[1:])
        told.append(f"{words} The same: {more}." if more else words)
    return told


def _order_words(operations: Sequence[dict[str, Any]]) -> str:
    """Return why the passes stand in their order, each reason once with how often it holds."""
    counts: dict[str, int] = {}
    for one in operations:
        for reason in one["reasons"]:
            rule = reason.rsplit(": ", 1)[-1]
            counts[rule] = counts.get(rule, 0) + 1
    return "; ".join(f"{rule} ({n} times)" if n > 1 else rule for rule, n in counts.items())


def sheet_html(description: dict[str, Any], look_png: bytes, flat: str) -> str:
    """Return the job sheet: one page, black on white, for the machine hand."""

    def esc(value: Any) -> str:
        return html.escape(str(value))

    d = description
    design = d["design"]
    cutters = "".join(
        f"<tr><td>{n}</td><td>{esc(c['name'])}</td><td>{c['stick_out_mm']:.0f} mm</td><td>{c['rpm']:.0f}</td>"
        f"<td>{c['minutes']:.1f} min</td></tr>"
        for n, c in enumerate(d["cutters"], 1)
    )
    warnings = "".join(f"<li>{esc(told)}</li>" for told in _minded(d["findings"]))
    mirrored = (
        '<p class="mirror">TURNED OVER: this picture is cut mirrored, as asked.</p>'
        if design["mirror"]
        else ""
    )
    why = _order_words(d["operations"])
    picture = base64.b64encode(look_png).decode()
    looks = f" {likeness_words(d['likeness']).capitalize()}." if d["likeness"] else ""
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{esc(d["job"])}</title><style>{_STYLE}</style></head><body>
<h1>{esc(d["job"])}</h1>
<p><b>Piece {esc(d["workpiece"])}</b> on <b>{esc(d["machine"])}</b>, design {esc(design["name"])},
{design["width_mm"]:.0f} x {design["height_mm"]:.0f} mm. Stem up. Front mark at longitude 0; middle of the
picture {design["longitude_deg"]:.0f} deg from it, {design["latitude_deg"]:.0f} deg above the waist.
<b>{d["seconds"]["total"] / 60:.0f} min</b> on the machine, deepest cut <b>{d["deepest_mm"]:.0f} mm</b>,
first pass: {esc(d["first_pass"])}.</p>{mirrored}
<p>Carrier plate <span class="blank"></span> Clamp <span class="blank"></span>
Begun <span class="blank"></span> Ended <span class="blank"></span></p>
<div class="pictures">
<img alt="Predicted look when lit, from outside" src="data:image/png;base64,{picture}">{flat}</div>
<table>
<tr><th>#</th><th>Cutter, in this order</th><th>Stick-out</th><th>rev/min</th><th>Cutting</th></tr>
{cutters}</table>
<ul class="checks">{"".join(f"<li>{esc(c)}</li>" for c in CHECKS)}</ul>
{f"<p><b>Why in this order:</b> {esc(why)}. Leave it so.</p>" if why else ""}
{f"<p><b>Mind:</b></p><ul>{warnings}</ul>" if warnings else ""}
<p>Scan {esc(d["inputs"]["scan"])}, programs {esc(", ".join(d["programs"]))}, {esc(d["written_by"])}.
Virtual cut: outline within {d["proof"]["outline_max_mm"]:.2f} mm,
depth within {d["proof"]["depth_max_mm"]:.2f} mm.{looks}</p>
<p class="caution">Stop <b>and isolate</b> before hands go near the cutter, slugs or a change of cutter.
Never unattended.
{esc(CAUTION)}</p>
</body></html>
"""
