"""The parts of the slanted-edge check: where edges are looked for, and what is told of them."""
