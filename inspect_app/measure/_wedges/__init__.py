"""The parts of the step-wedge check: what is read of the steps, counted and told."""
