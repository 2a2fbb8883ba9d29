"""The form and the contract that the tests of the pages use; both are invented."""

FORM = """
device_class = "test monocular"
title = "Inspection of a test monocular"
revision = "A"

[[step]]
id = "look"
check = "look"
title = "Look and function"
instruction = "Look at the device under the bench lamp."
wants_photos = true

  [[step.question]]
  name = "item"
  label = "As ordered"
  items = ["Housing undamaged", "Markings readable"]

[[step]]
id = "bar-target.horizontal.1lx"
check = "bar-target"
title = "Bar target by eye, horizontal, 1 lux"
instruction = "Read the vertical bars."
cautions = ["dark room"]
instruments = ["illuminance meter", "bar target"]

  [step.condition]
  illuminance_lx = 1

  [step.fixed]
  axis = "horizontal"

  [step.window]
  illuminance_lx = { within_percent = 10, before_and_after = true, label = "Illuminance at the target" }
  temperature_c = { from = 18, to = 28, label = "Air temperature at the bench" }

  [[step.question]]
  name = "reading"
  label = "Last element resolved, as group,element"
  hint = "One line per reader, like 1,4"

  [[step.question]]
  name = "distance_m"
  label = "Distance from target to the front lens"

[[step]]
id = "slanted-edge.1lx"
check = "slanted-edge"
title = "Slanted edge, 1 lux"
instruction = "Capture the edge."
cautions = ["dark room"]

  [step.condition]
  illuminance_lx = 1

  [[step.question]]
  name = "scene"
  label = "Picture of the edge"
  way = "from a capture"

  [[step.question]]
  name = "axis"
  label = "Axis of the reading"
  way = "read elsewhere"

  [[step.question]]
  name = "mtf50_reading"
  label = "MTF50 read elsewhere"
  hint = "One line per repeat"
  way = "read elsewhere"
"""

CONTRACT = """
number = "TST-1"
revision = "1"
title = "Test monoculars"
buyer = "Test Buyer (invented)"
supplier = "Test Supplier (invented)"
note = "Invented for tests."

[[limit]]
device_class = "test monocular"
clause = "4.1"
title = "Resolution by eye at 1 lux"
check = "bar-target"
quantity = "angular_resolution"
unit = "cy/mrad"
at_least = 0.9
condition = { illuminance_lx = 1, space = "object" }
decision_rule = "simple"
severity = "major"

[[limit]]
device_class = "test monocular"
clause = "4.2"
title = "MTF50 at 1 lux"
check = "slanted-edge"
quantity = "mtf50"
unit = "cy/px"
at_least = 0.1
condition = { illuminance_lx = 1 }
decision_rule = "guarded"
severity = "major"
"""
