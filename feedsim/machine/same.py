"""How close two values count as one where they are compared (feedsim/MODEL.md, section 1).

Beyond rounding, and far below what matters on a machine: floats near an hour are 5e-13 s apart, and
near the 3.6 km that a belt of 60 m/min runs in it 5e-10 mm. No value is changed by these.
"""

from __future__ import annotations

SAME_INSTANT_S = 1e-10
"""Instants closer than this."""
SAME_TRAVEL_MM = 1e-9
"""Travels closer than this."""
SAME_STEP = 1e-9
"""A quotient of times or travels (in ticks, steps or counts) this little beyond a whole number."""
SAME_RATIO = 1e-9
"""Ratios closer than this, and what differs from its limit by less than this part of it."""
