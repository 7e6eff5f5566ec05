"""`lanternwright wedge`: a lot's fall of light from readings, or one clear line."""

import numpy as np
from click.testing import CliRunner

from planner.cli import main


def test_the_fall_of_light_is_told(tmp_path):
    """Readings 800 exp(-0.21 t) over a dark 5: the option to prepare with, and 8.9 tones of 11 mm at 0.7."""
    t = np.array([4.0, 8.0, 12.0, 16.0])
    rows = "".join(f"{a},{b:.6f}\n" for a, b in zip(t, 800 * np.exp(-0.21 * t) + 5, strict=True))
    (tmp_path / "wedge.csv").write_text("thickness_mm,reading\n" + rows)
    result = CliRunner().invoke(main, ["wedge", "--readings", str(tmp_path / "wedge.csv"), "--dark", "5"])
    assert result.exit_code == 0, result.output
    assert result.output.startswith("--light-per-mm 0.2100 ")
    assert "8.9 tones between 5 and 16 mm" in result.output


def test_a_wedge_without_steps_is_refused(tmp_path):
    """Exit 2 and one line."""
    (tmp_path / "wedge.csv").write_text("thickness_mm,reading\n5,1\n5,2\n")
    result = CliRunner().invoke(main, ["wedge", "--readings", str(tmp_path / "wedge.csv")])
    assert result.exit_code == 2
    assert "all steps are 5 mm" in result.output
    assert len(result.output.strip().splitlines()) == 1
