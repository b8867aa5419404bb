"""How carriers arrive: the arrival laws."""

from feedsim.arrivals.law import Arrival
from feedsim.arrivals.paced import Paced
from feedsim.arrivals.random_gaps import RandomGaps
from feedsim.arrivals.recorded import Recorded

__all__ = ["Arrival", "Paced", "RandomGaps", "Recorded"]
