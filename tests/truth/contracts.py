"""The sound contract that tests read, and spoil in one place at a time."""

SOUND = """\
number = "T-1"  # the number
revision = "2"
title = "Contract for tests"
buyer = "Buyer"
supplier = "Supplier"

[[limit]]
device_class = ["small", "large"]
clause = "4.1"
title = "Lag"
check = "latency"
quantity = "latency_half"
unit = "ms"
at_most = 50
condition = { mode = "live view" }
decision_rule = "guarded"
severity = "critical"

[[limit]]
device_class = "small"
clause = "4.2"
title = \"\"\"
Resolution
at_most = 3\"\"\"
check = "bar-target"
quantity = "resolution"
unit = "lp/mm"
at_least_element = "6,2"
decision_rule = "simple"
severity = "major"

[[spots]]
device_class = "large"
clause = "4.3"
title = "Spots"
check = "blemish"
polarity = "dark"
contrast_at_least = 0.3
decision_rule = "guarded"
severity = "minor"

  [[spots.row]]
  size_mm = [0.075, 0.150]
  allowed = [2, 4, 6]

  [[spots.row]]
  size_mm = [0.150]
  allowed = [0, 0, 1]
"""


def changed(old: str, new: str) -> str:
    """Return the sound contract with the first `old` replaced, which must be there."""
    assert old in SOUND
    return SOUND.replace(old, new, 1)
