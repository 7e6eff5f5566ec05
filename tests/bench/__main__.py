"""Which benchmark runs? `python -m tests.bench NAME [options]`: each prints a table with its references."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

NAMES = sorted(p.stem for p in Path(__file__).parent.glob("[a-z]*.py"))


def main(arguments: list[str]) -> int:
    """Run the named benchmark with the arguments that follow its name; return its exit code."""
    if not arguments or arguments[0] not in NAMES:
        print(f"usage: python -m tests.bench NAME [options]; NAME is one of {', '.join(NAMES) or 'none yet'}")
        return 2
    code: int = importlib.import_module(f"tests.bench.{arguments[0]}").main(arguments[1:])
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
