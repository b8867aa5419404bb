"""Why carriers miss their insert, in closed form (feedsim/MODEL.md, 13, facts 8, 11, 12, 14)."""

from __future__ import annotations

from feedsim.criteria import Criteria
from feedsim.settings.acts import is_locked
from feedsim.settings.busy_lag import busy_longer
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.kept import mark_to_act
from feedsim.settings.levels import too_short
from feedsim.settings.marks import may_be_full, share_merged
from feedsim.settings.mechanisms_placed import late_marks_by
from feedsim.settings.mechanisms_unseen import SearchedOn, searched_on, searches
from feedsim.settings.places import share_without_place
from feedsim.settings.spreads import busy_travel
from feedsim.settings.waiting import followed, waiting_alone
from feedsim.settings.whole_scans import are_whole_scans, busy_scans

_EMPTIED = 1e-4
_HARDLY = 1e-6


def feed_cycle(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of carriers that find the feeder busy, with every insert found at once.

    With H the mean number of carriers that come while one is served, H/(1 + H) are lost: a
    renewal begins with each carrier served (Cox, Renewal Theory, 1962, from memory). A record is
    followed in its order instead. If carriers wait for the feeder, those whose wait takes them out
    of reach are lost (:mod:`feedsim.settings.waits`).
    """
    if at.controller.not_ready_engages:
        return waiting_alone(at, allowed, found=True).dropped
    return _lost(at, ())


def unstaged(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of carriers lost to eyes that miss cards, misfeeds and strays.

    After a misfeed or a stray, with probability p, the feeder searches on for another insert pitch,
    after j in a row for j: H of :func:`feed_cycle` becomes Σ p^j·(1 − p)·H(j pitches more), where p
    differs behind a stray. The share is the loss beyond that of the feed cycle; it is 1 if more
    than one search in 10 000 comes to its limit: the feeder is empty from then on.
    """
    seen = 1.0 - at.carrier_eye.missed
    on = searched_on(at)
    pitch = at.inserts.pitch_mm
    tries = (at.controller.search_limit_mm + at.settings.stage_position_mm) // pitch
    if sum(why.share * why.behind ** max(0.0, tries - 1.0) for why in on) > _EMPTIED:
        return 1.0
    if at.controller.not_ready_engages:
        least = waiting_alone(at, allowed, found=True).dropped
        whole = waiting_alone(at, allowed).dropped
        return 1.0 - seen * min(1.0, (1.0 - whole) / (1.0 - least)) if least < 1.0 else 1.0 - seen
    least = _lost(at, ())
    whole = _lost(at, on)
    return 1.0 - seen * min(1.0, (1.0 - whole) / (1.0 - least))


@term
def most_lost_in_scans(at: FeederAtSpeed) -> float:
    """Return a share that :func:`feed_cycle` does not exceed, whatever scans make of its cycle.

    A cycle of whole scans is at most two scans longer than one without, three where its opening
    waits for a scan as well. 0 behind a carrier eye of which no cycle is, at this speed or a lower
    one.
    """
    if at.controller.not_ready_engages or not is_locked(at.carrier_eye, at.controller):
        return 0.0
    scans = 2.0 if is_locked(at.eye, at.controller) else 3.0
    longer = busy_travel(at).shifted(scans * at.speed_mm_s * at.controller.scan_s)
    return at.carriers.arrival.share_lost(longer, searches(at, ()), come=at.seen_share)


@term
def _lost(at: FeederAtSpeed, on: tuple[SearchedOn, ...]) -> float:
    """Return the share of carriers that come while one is served.

    ``on``: of :func:`feedsim.settings.mechanisms_unseen.searched_on`. Missing carriers and those
    that the eye misses do not count.
    """
    busy, more = busy_travel(at), searches(at, on)
    if are_whole_scans(at):
        busy, more = busy_scans(at, more)
    else:
        busy = busy.plus(busy_longer(at))
    return at.carriers.arrival.share_lost(busy, more, come=at.seen_share)


@term
def memory(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of marks that find the program's memory full, beyond those lost to the feeder.

    A mark is kept from when it is known until it is acted on, its wait for the feeder included. If
    the feeder loses none, and there is one place or pitches are steady: a block of c marks is kept,
    then all marks are lost until the first of them is acted on; with L of them on average,
    L/(c + L) (renewal, as in :func:`feed_cycle`). L is the sum over n = c, c + 1 … of the
    probabilities that n pitches have passed by then; a steady pitch makes the share
    1 − c/⌈kept/pitch⌉. Else marks are followed one by one (:mod:`feedsim.settings.followed`).
    """
    places, c = at.controller.mark_memory, at.carriers
    kept, waits = mark_to_act(at), at.controller.not_ready_engages
    if not may_be_full(at):
        return 0.0
    if waits or feed_cycle(at, allowed) > _HARDLY:
        return _beyond(at, allowed, memory=True, merging=False)
    here = at.seen_share
    if places > 1 and not c.arrival.steady:
        return share_without_place(c.arrival, kept.average, kept.sd, places=places, seen=here)
    lost = here * c.arrival.expected_over(lambda n: c.arrival.share_over(n, kept), places)
    return lost / (places + lost)


def _beyond(
    at: FeederAtSpeed,
    allowed: Criteria,
    *,
    memory: bool,
    merging: bool,
) -> float:
    """Return the additional share lost to merging, or to the memory."""
    whole = followed(at, allowed, memory=memory, merging=merging)
    least = followed(at, allowed, memory=memory and merging, merging=False)
    if least.lost >= 1.0:
        return 0.0
    return max(0.0, 1.0 - (1.0 - whole.lost) / (1.0 - least.lost))


def late_marks(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of marks skipped because they become known after their point."""
    if at.controller.late_mark_engages:
        return 0.0
    return late_marks_by(at, 0.0)


def carrier_gap(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of carriers that merge with the one before at the carrier eye.

    None does behind an empty pitch. If the memory or the feeder loses some too, the loss beyond
    theirs: as large a part of this share as where marks are followed one by one
    (:mod:`feedsim.settings.followed`).
    """
    merged = share_merged(at)
    if merged < _HARDLY:
        return 0.0
    others = 1.0 - (1.0 - memory(at, allowed)) * (1.0 - feed_cycle(at, allowed))
    if others < _HARDLY or (seen := followed(at, allowed)).merged == 0:
        return merged
    return merged * _beyond(at, allowed, memory=True, merging=True) * seen.carriers / seen.merged


def carrier_short(at: FeederAtSpeed, allowed: Criteria) -> float:
    """Share of carriers that pass their eye too fast for filter or scan."""
    return too_short(
        at.carrier_eye,
        at.controller,
        length_mm=at.carriers.length_mm,
        speed_mm_s=at.speed_mm_s,
    )
