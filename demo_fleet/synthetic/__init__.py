"""A synthetic fleet of any size, invented from a seed: for searching, drift and speed; nothing in it was captured."""

from demo_fleet.synthetic.load import SyntheticRun, load

__all__ = ["SyntheticRun", "load"]
