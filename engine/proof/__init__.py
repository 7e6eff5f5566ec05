"""Does the program that was written cut the design, as deep as asked and nowhere else? By reading it back.

The program's own numbers are run through the machine's chain as its file defines it, every move is sampled
as the machine moves (linearly in its axes), and the cutter's solid is stamped into a grid of rays from the
mapping centre. Nothing here comes from the code that wrote the program: only records, frames, the skin and
the wall are shared.

For each ray the grid keeps two figures::

          skin ____   edge < 0   ____ skin      edge:  distance of the skin point from the cutter's solid,
                   |            |                      its zero line is the outline of the cut
                   |   depth    |               depth: skin radius less the smallest radius at which
                   |____________|                      the ray is inside the cutter

What a round cutter cannot reach is not held against the program (it is reported as an area), but what it
cuts too much is: skin is judged against the design as drawn.
"""

from engine.proof.judge import virtual_cut
from engine.proof.moves import tips_of
from engine.proof.stamp import stamper

__all__ = ["stamper", "tips_of", "virtual_cut"]
