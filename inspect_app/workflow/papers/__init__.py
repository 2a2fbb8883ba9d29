"""Papers: what documents show, how they are issued, proved, and come to their end."""
