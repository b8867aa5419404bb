"""Every key of the file arrives at its place in the machine, in its unit."""

import math
from dataclasses import replace

from feedsim import machine
from feedsim.arrivals import Paced, RandomGaps
from feedsim.scenario import machine_from, scenario_from_text
from tests.cli.bad_scenarios.table import BASE

# Every number differs from every other and from its default, so that none can be swapped.
TEXT = """
title = "All different"
[run]
start = "empty"
[line]
speed = "61 mm/s"
acceleration = "62 mm/s^2"
profile = [["1 s", "63 mm/s"], ["2 s", "64 mm/s"]]
[line.encoder]
counts_per_rev = 2000
wheel_circumference = "250 mm"
scale_error = "1.1 %"
[carrier]
length = "201 mm"
pitch = "260 mm"
pitch_sd = "1.2 mm"
min_gap = "13 mm"
arrival = "random"
missing = "1.4 %"
slip = "1.5 mm"
slip_sd = "1.6 mm"
[carrier_eye]
response = "2.2 s"
response_jitter = "2.1 s"
off_response = "2.3 s"
edge_sd = "2.4 mm"
missed = "2.5 %"
capture = "scanned"
filter_time = "2.6 s"
[controller]
scan = "0.31 s"
motion_cycle = "0.32 s"
speed_filter = "3.3 s"
search_limit = "340 mm"
mark_memory = 35
late_mark = "engage"
not_ready = "skip"
[[feeder]]
name = "one"
eye_to_placement = "401 mm"
insert_eye_to_placement = "122 mm"
grip_end = "103 mm"
nose_limit = "94 mm"
jog_speed = "45 mm/s"
[feeder.insert]
length = "86 mm"
gap = "71 mm"
gap_sd = "5.1 mm"
min_gap = "5.2 mm"
slip = "5.3 mm"
slip_sd = "5.4 mm"
misfeed = "5.5 %"
double = "5.6 %"
[feeder.eye]
response = "6.2 s"
response_jitter = "6.1 s"
off_response = "6.3 s"
edge_sd = "6.4 mm"
missed = "6.5 %"
capture = "polled"
filter_time = "6.6 s"
[feeder.double_check]
finds = "7.1 %"
false_alarm = "7.2 %"
[feeder.clutch]
ramp = "travel"
ramp_in = "8.1 mm"
ramp_out = "8.2 mm"
settle = "8.3 s"
[feeder.servo]
loop_gain = "91 1/s"
velocity_feedforward = "92 %"
max_acceleration = "93 mm/s^2"
command_delay = "9.4 s"
[feeder.settings]
target_offset = "21 mm"
stage_position = "66 mm"
engage_distance = "300 mm"
engage_lead = "auto"
disengage_distance = "auto"
disengage_lead = "9.9 s"
speed_ratio = 1.25
speed_trim = "4 %"
stage_correction = true
[feeder.settings.resolution]
distance_counts = 3
lead = "0.7 ms"
"""
EXPECTED = machine.Machine(
    line=machine.Line(speed_mm_s=61.0, acceleration_mm_s2=62.0, profile=((1.0, 63.0), (2.0, 64.0))),
    encoder=machine.Encoder(count_mm=0.125, scale_error=0.011),  # 250 mm in 2000 counts
    carriers=machine.Carriers(
        RandomGaps(201.0, 260.0, pitch_sd_mm=1.2, min_gap_mm=13.0),
        missing=0.014,
        slip_mm=1.5,
        slip_sd_mm=1.6,
    ),
    carrier_eye=machine.Eye(
        response_s=2.2,
        response_jitter_s=2.1,
        off_response_s=2.3,
        edge_sd_mm=2.4,
        missed=0.025,
        scanned=True,
        filter_s=2.6,
    ),
    controller=machine.Controller(
        scan_s=0.31,
        motion_cycle_s=0.32,
        speed_filter_s=3.3,
        search_limit_mm=340.0,
        mark_memory=35,
        late_mark_engages=True,
        not_ready_engages=False,
    ),
    feeders=(
        machine.Feeder(
            eye_to_placement_mm=401.0,
            insert_eye_to_placement_mm=122.0,
            grip_end_mm=103.0,
            nose_limit_mm=94.0,
            jog_speed_mm_s=45.0,
            inserts=machine.Inserts(
                length_mm=86.0,
                gap_mm=71.0,
                gap_sd_mm=5.1,
                min_gap_mm=5.2,
                slip_mm=5.3,
                slip_sd_mm=5.4,
                misfeed=0.055,
                double=0.056,
            ),
            eye=machine.Eye(
                response_s=6.2,
                response_jitter_s=6.1,
                off_response_s=6.3,
                edge_sd_mm=6.4,
                missed=0.065,
                scanned=True,
                polled=True,
                filter_s=6.6,
            ),
            double_check=machine.DoubleCheck(finds=0.071, false_alarm=0.072),
            clutch=machine.Clutch(travel_ramp=True, ramp_in=8.1, ramp_out=8.2, settle_s=8.3),
            servo=machine.Servo(
                loop_gain_per_s=91.0,
                velocity_feedforward=0.92,
                max_acceleration_mm_s2=93.0,
                command_delay_s=9.4,
            ),
            settings=machine.Settings(
                target_offset_mm=21.0,
                stage_position_mm=66.0,
                engage_distance_mm=300.0,
                engage_lead_s=-1.0,  # "auto", put in place of NaN below
                disengage_distance_mm=-2.0,  # likewise
                disengage_lead_s=9.9,
                speed_ratio=1.3,  # 1.25 and 4 % more
                stage_correction=True,
                # 3 of 2000 counts on a wheel of 250 mm
                resolution=machine.Resolution(distance_mm=0.375, lead_s=0.0007),
            ),
        ),
    ),
    start_empty=True,
)


def test_every_key_arrives():
    got = machine_from(scenario_from_text(TEXT))
    settings = got.feeders[0].settings
    assert math.isnan(settings.engage_lead_s)
    assert math.isnan(settings.disengage_distance_mm)
    settings = replace(settings, engage_lead_s=-1.0, disengage_distance_mm=-2.0)
    assert replace(got, feeders=(replace(got.feeders[0], settings=settings),)) == EXPECTED


def test_the_other_sides_of_the_choices():
    other = TEXT.replace('"empty"', '"staged"').replace('"random"', '"paced"')
    other = other.replace('late_mark = "engage"', 'late_mark = "skip"')
    other = other.replace('not_ready = "skip"', 'not_ready = "engage"')
    got = machine_from(scenario_from_text(other))
    assert not got.start_empty
    assert isinstance(got.carriers.arrival, Paced)
    assert (got.controller.late_mark_engages, got.controller.not_ready_engages) == (False, True)


def test_a_virtual_master_has_no_counts_and_no_scale_error():
    scenario = scenario_from_text(TEXT.replace("[run]", '[run]\nmaster = "virtual"'))
    assert machine_from(scenario).encoder == machine.Encoder(count_mm=0.0, scale_error=0.0)


def test_a_ramp_over_time_is_in_seconds():
    clutch = machine_from(scenario_from_text(BASE)).feeders[0].clutch
    assert clutch == machine.Clutch(travel_ramp=False, ramp_in=0.02, ramp_out=0.02, settle_s=0.0)


def test_every_feeder_is_there():
    start, end = BASE.index("[[feeder]]"), BASE.index("[limits]")
    second = BASE[start:end].replace("first feeder", "b").replace('"400 mm"', '"900 mm"')
    got = machine_from(scenario_from_text(BASE + second))
    assert [feeder.eye_to_placement_mm for feeder in got.feeders] == [400.0, 900.0]
