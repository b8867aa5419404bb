"""One line with one feeder, integrated by SciPy: nothing random, no ticks, no counts.

Belt, filtered speed, clutch engagement, command and servo are integrated together as one
system of differential equations; eyes, points and landings are found as its events. Only the
physics of the model page is shared with the engine, no line of its code.
"""

from __future__ import annotations

import heapq
import math
from collections import deque
from collections.abc import Callable
from functools import partial
from itertools import count, islice

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from feedsim.draws.line_draws import CarrierDraw, Draws, InsertDraw
from feedsim.machine import Machine

M, Y, R, P, F = range(5)
"""Belt travel, filtered controller speed, engagement, command, feed travel."""

State = NDArray[np.float64]
COLUMNS = (
    "engage_time_s",
    "stage_position_mm",
    "placement_time_s",
    "placement_error_mm",
    "nose_speed_mm_s",
    "opening_time_s",
    "ready_time_s",
)


def event_of(value: Callable[[State], float]) -> Callable[[float, State], float]:
    """Return a function of the state as an event that ends the integration, rising through 0."""

    def event(t: float, x: State) -> float:
        return value(x)

    event.terminal, event.direction = True, 1.0  # type: ignore[attr-defined]
    return event


class Integration:
    """One line with one feeder, integrated from event to event.

    ``watches`` are functions of the state that rise through 0 when something happens;
    ``timers`` are instants known in advance. The integration restarts at each of them.
    """

    def __init__(self, line: Machine, draws: Draws, *, carriers: int) -> None:
        self.line, self.feeder = line, line.feeders[0]
        self.settings = self.feeder.settings
        self.carriers = [CarrierDraw(*c) for c in islice(draws.carriers(), carriers)]
        self.inserts = [InsertDraw(*c) for c in islice(draws.inserts(0), carriers + 2)]
        self.rows = {name: np.full(carriers, math.nan) for name in COLUMNS}
        self.undecided = carriers
        self.watches: dict[str, tuple[Callable[[State], float], Callable[[], None]]] = {}
        self.timers: list[tuple[float, int, Callable[[], None]]] = []
        self.number = count()
        self.scale = 1.0 + line.encoder.scale_error
        self.marks: deque[tuple[int, float]] = deque()
        self.staged, self.stage_mm, self.ready_s = 0, self.settings.stage_position_mm, 0.0
        self.turning = 0
        self.t = 0.0
        self.points = list(line.line.profile) or [(0.0, line.line.speed_mm_s)]
        self.x = np.array([0.0, self.points[0][1] / self.scale, 0.0, 0.0, 0.0])
        self.lay_belt()
        for time, _ in self.points:
            if time > 0.0:
                self.after(time, self.lay_belt)
        self.await_carrier(0)

    # --- the physics -------------------------------------------------------------------

    def lay_belt(self) -> None:
        """Take up the straight line of the profile that holds from now on."""
        before = [p for p in self.points if p[0] <= self.t]
        ahead = [p for p in self.points if p[0] > self.t]
        self.from_s, self.from_mm_s, self.slope = self.t, self.points[0][1], 0.0
        if before:
            start, speed = before[-1]
            to, faster = ahead[0] if ahead else (math.inf, speed)
            self.from_s, self.from_mm_s, self.slope = start, speed, (faster - speed) / (to - start)

    def rates(self, t: float, x: State) -> list[float]:
        v = self.from_mm_s + self.slope * (t - self.from_s)
        counted, servo, slow = v / self.scale, self.feeder.servo, self.line.controller
        filtered = (
            (counted - x[Y]) / slow.speed_filter_s
            if slow.speed_filter_s
            else self.slope / self.scale
        )
        turn = 0.0
        if self.turning:
            clutch = self.feeder.clutch
            length = clutch.ramp_in if self.turning > 0 else clutch.ramp_out
            turn = self.turning * (counted if clutch.travel_ramp else 1.0) / length
        command = self.settings.speed_ratio * x[R] * counted
        feed = command
        if servo.loop_gain_per_s < math.inf:
            feed = servo.loop_gain_per_s * (x[P] - x[F]) + servo.velocity_feedforward * command
        return [v, filtered, turn, command, feed]

    def counted(self) -> float:
        return float(self.x[M]) / self.scale

    # --- the integration ---------------------------------------------------------------

    def after(self, delay: float, action: Callable[[], None]) -> None:
        heapq.heappush(self.timers, (self.t + delay, next(self.number), action))

    def fire(self, name: str) -> None:
        self.watches.pop(name)[1]()

    def integrate(self) -> dict[str, NDArray[np.float64]]:
        while not self.finished():
            reached = [n for n, (value, _) in self.watches.items() if value(self.x) >= 0.0]
            if reached:
                self.fire(reached[0])
            elif self.timers and self.timers[0][0] <= self.t:
                heapq.heappop(self.timers)[2]()
            else:
                self.advance()
        return self.rows

    def finished(self) -> bool:
        return not self.undecided and self.ready_s <= self.t and "landing" not in self.watches

    def advance(self) -> None:
        end = self.timers[0][0] if self.timers else self.t + 100.0
        names = list(self.watches)
        part = solve_ivp(
            self.rates,
            (self.t, end),
            self.x,
            method="DOP853",
            events=[event_of(self.watches[name][0]) for name in names],
            rtol=1e-12,
            atol=1e-11,
            max_step=0.02,
        )
        self.t, self.x = end, part.y[:, -1].copy()
        for name, times, states in zip(names, part.t_events, part.y_events, strict=True):
            if len(times):
                self.t, self.x = float(times[0]), states[0].copy()
                self.fire(name)
                return
        assert part.status == 0

    # --- carriers ----------------------------------------------------------------------

    def await_carrier(self, k: int) -> None:
        if k < len(self.carriers):
            edge = self.carriers[k].seen_edge_mm
            self.watches["carrier"] = (lambda x: x[M] - edge, partial(self.pass_carrier, k))

    def pass_carrier(self, k: int) -> None:
        self.after(self.carriers[k].eye_delay_s, partial(self.mark, k))
        self.await_carrier(k + 1)

    def mark(self, k: int) -> None:
        self.marks.append((k, self.counted()))
        self.await_head()

    def await_head(self) -> None:
        if self.marks and "engage" not in self.watches:
            point = self.marks[0][1] + self.settings.engage_distance_mm
            lead = self.settings.engage_lead_s
            self.watches["engage"] = (
                lambda x: x[M] / self.scale + lead * x[Y] - point,
                self.engage,
            )

    # --- the feeder --------------------------------------------------------------------

    def nose_mm(self, insert: int) -> float:
        return self.inserts[insert].nose_mm - self.settings.stage_position_mm

    def engage(self) -> None:
        k, _ = self.marks.popleft()
        self.await_head()
        self.undecided -= 1
        if self.ready_s > self.t:
            return  # not staged
        assert "landing" not in self.watches, "one insert on its way at a time"
        self.rows["engage_time_s"][k] = self.t
        self.rows["stage_position_mm"][k] = self.stage_mm
        card = self.inserts[self.staged]
        to = self.nose_mm(self.staged) + card.slip_mm + self.feeder.insert_eye_to_placement_mm
        self.watches["landing"] = (lambda x: x[F] - to, partial(self.land, k))
        self.staged, self.ready_s = self.staged + 1, math.inf
        nose = self.nose_mm(self.staged)
        self.watches["insert"] = (lambda x: x[F] - nose, partial(self.pass_insert, k))
        self.after(self.feeder.servo.command_delay_s, partial(self.turn, 1, k))

    def land(self, k: int) -> None:
        card = self.carriers[k]
        offset = self.x[M] - card.leading_edge_mm - self.feeder.eye_to_placement_mm - card.slip_mm
        self.rows["placement_time_s"][k] = self.t
        self.rows["placement_error_mm"][k] = offset - self.settings.target_offset_mm
        self.rows["nose_speed_mm_s"][k] = self.rates(self.t, self.x)[F]

    def pass_insert(self, k: int) -> None:
        self.after(self.inserts[self.staged].eye_delay_s, partial(self.capture, k))

    def capture(self, k: int) -> None:
        point = self.counted() + self.settings.disengage_distance_mm
        lead = self.settings.disengage_lead_s
        self.watches["opening"] = (
            lambda x: x[M] / self.scale + lead * x[Y] - point,
            partial(self.open, k),
        )

    def open(self, k: int) -> None:
        self.rows["opening_time_s"][k] = self.t
        self.after(self.feeder.servo.command_delay_s, partial(self.turn, -1, k))

    def turn(self, way: int, k: int) -> None:
        clutch = self.feeder.clutch
        self.turning, goal = way, max(way, 0)
        if (clutch.ramp_in if way > 0 else clutch.ramp_out) == 0.0:
            self.turned(way, k)
        else:
            self.watches["ramp"] = (
                lambda x: way * (x[R] - goal),
                partial(self.turned, way, k),
            )

    def turned(self, way: int, k: int) -> None:
        self.watches.pop("ramp", None)
        self.turning, self.x[R] = 0, max(way, 0)
        if way < 0:
            self.stage_mm = float(self.x[P]) - self.nose_mm(self.staged)
            self.after(self.feeder.clutch.settle_s, partial(self.ready, k))

    def ready(self, k: int) -> None:
        self.rows["ready_time_s"][k] = self.ready_s = self.t
