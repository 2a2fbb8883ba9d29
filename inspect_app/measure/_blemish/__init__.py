"""The parts of the blemish check: the field and its frames, and what is told of spots."""
