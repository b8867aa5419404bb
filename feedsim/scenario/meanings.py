"""Common words for keys, used for suggestions.

Spelling alone does not find these: ``tolerance`` in ``[acceptance]`` is ``placement_tolerance``,
not ``within_tolerance``, and ``delay`` of an eye is its ``response``.
"""

from __future__ import annotations

from collections.abc import Sequence

_MEANT: dict[str, tuple[str, ...]] = {
    # word: the keys that it may mean, tried in order
    "tolerance": ("placement_tolerance",),
    "error": ("placement_tolerance",),
    "max_error": ("placement_tolerance",),
    "yield": ("within_tolerance",),
    "in_tolerance": ("within_tolerance",),
    "misses": ("missed",),
    "miss_rate": ("missed",),
    "jams": ("jam_risk",),
    "jam_rate": ("jam_risk",),
    "spacing": ("pitch", "gap"),
    "pitch": ("gap",),
    "gap": ("pitch",),
    "spacing_sd": ("pitch_sd", "gap_sd"),
    "spacing_spread": ("pitch_sd", "gap_sd"),
    "pitch_spread": ("pitch_sd",),
    "pitch_jitter": ("pitch_sd",),
    "gap_spread": ("gap_sd",),
    "std": ("pitch_sd", "gap_sd", "edge_sd", "slip_sd"),
    "sigma": ("pitch_sd", "gap_sd", "edge_sd", "slip_sd"),
    "distance": ("pitch", "gap", "engage_distance", "eye_to_placement"),
    "interval": ("pitch",),
    "period": ("pitch", "scan"),
    "clearance": ("gap", "min_gap"),
    "product_length": ("length",),
    "size": ("length",),
    "width": ("length",),
    "spread": ("pitch_sd", "gap_sd", "edge_sd", "slip_sd"),
    "sd": ("pitch_sd", "gap_sd", "edge_sd", "slip_sd"),
    "variation": ("pitch_sd", "gap_sd"),
    "gaps": ("missing", "gap"),
    "empty": ("missing", "misfeed"),
    "delay": ("response", "command_delay", "settle"),
    "latency": ("response", "command_delay"),
    "response_time": ("response",),
    "on_delay": ("response",),
    "on_response": ("response",),
    "off_delay": ("off_response",),
    "jitter": ("response_jitter",),
    "noise": ("edge_sd",),
    "repeatability": ("edge_sd",),
    "miss": ("missed", "misfeed"),
    "debounce": ("filter_time", "response"),
    "filter": ("filter_time", "speed_filter"),
    "mode": ("capture", "arrival", "ramp", "start"),
    "cycle": ("motion_cycle", "scan"),
    "cycle_time": ("motion_cycle", "scan"),
    "servo_cycle": ("motion_cycle",),
    "scan_time": ("scan",),
    "program_cycle": ("scan",),
    "task_time": ("scan",),
    "queue": ("mark_memory",),
    "memory": ("mark_memory",),
    "buffer": ("mark_memory",),
    "velocity": ("speed",),
    "line_speed": ("speed",),
    "rate": ("speed", "loop_gain"),
    "accel": ("acceleration", "max_acceleration"),
    "acceleration": ("max_acceleration",),
    "deceleration": ("stop_deceleration",),
    "ppr": ("counts_per_rev",),
    "resolution": ("counts_per_rev",),
    "lines": ("counts_per_rev",),
    "pulses_per_rev": ("counts_per_rev",),
    "counts": ("counts_per_rev",),
    "circumference": ("wheel_circumference",),
    "diameter": ("wheel_circumference",),
    "gain": ("loop_gain",),
    "position_gain": ("loop_gain",),
    "kv": ("loop_gain",),
    "kp": ("loop_gain",),
    "feedforward": ("velocity_feedforward",),
    "feed_forward": ("velocity_feedforward",),
    "ramp_time": ("ramp_in", "ramp_out"),
    "ramp_up": ("ramp_in",),
    "ramp_down": ("ramp_out",),
    "offset": ("target_offset",),
    "target": ("target_offset",),
    "position": ("stage_position",),
    "stage": ("stage_position",),
    "lead": ("engage_lead",),
    "ratio": ("speed_ratio",),
    "gear_ratio": ("speed_ratio",),
    "trim": ("speed_trim",),
    "eye_distance": ("eye_to_placement", "insert_eye_to_placement"),
    "cards": ("carriers", "magazine"),
    "products": ("carriers",),
    "count": ("carriers", "magazine"),
    "doubles": ("double",),
    "misfeeds": ("misfeed",),
    "capacity": ("magazine",),
}


def meant(word: str, known: Sequence[str]) -> str | None:
    """Return the key among these that a word means, if any.

    Examples
    --------
    >>> meant("tolerance", ["within_tolerance", "placement_tolerance"])
    'placement_tolerance'
    """
    return next((key for key in _MEANT.get(word, ()) if key in known), None)
