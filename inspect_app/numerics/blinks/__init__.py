"""A blinking light as a clock: the rate of frames, and those that are missing."""
