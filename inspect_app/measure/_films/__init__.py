"""What the checks of films share: the times of frames, the light of regions, and where it changes."""
