"""How long an edge waits for its capture."""

from __future__ import annotations

from feedsim.machine import Controller, Eye


def eye_delay(eye: Eye, controller: Controller) -> float:
    """Return d, the mean time from an edge passing an eye to its capture (s).

    d = response + filter_time (+ scan/2) (derived in feedsim/MODEL.md, section 13): half a scan if
    the travel is stored at a scan tick, since an edge comes at a uniform phase of the scan.
    """
    scan_wait_s = 0.5 * controller.scan_s if eye.scanned else 0.0
    return eye.response_s + eye.filter_s + scan_wait_s
