"""Quantities: published factors, exact ways there and back, and hostile text."""

import math
import re
import subprocess
import sys
from fractions import Fraction

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from feedsim.measures import QuantityError, canonical, measure, parse, with_unit
from feedsim.quantities import KINDS, display, display_unit, phrase
from feedsim.scenario.keys import quantity_schema

# International yard and pound agreement, 1959: 1 yd = 0.9144 m, so 1 ft = 304.8 mm, 1 in = 25.4 mm.
# NIST SP 811, App. B: 1 ozf·in is 7.061 552 E-03 N·m, the pound and gravity being exact.
OUNCE_INCH = float(Fraction("0.45359237") / 16 * Fraction("9.80665") * Fraction("0.0254"))
READ = [
    ("60 m/min", "speed", 1000.0),
    ("60 m / min", "speed", 1000.0),
    ("60m/min", "speed", 1000.0),
    ("60 m*min^-1", "speed", 1000.0),
    ("60 metres per minute", "speed", 1000.0),
    ("200 ft/min", "speed", 200 * 304.8 / 60),
    ("1 in/s", "speed", 25.4),
    ("1.5 in", "length", 38.1),
    ("85.60 mm", "length", 85.6),
    ("+8.56e1 mm", "length", 85.6),
    (".5 mm", "length", 0.5),
    ("5. mm", "length", 5.0),
    (" 10 m ", "length", 10_000.0),
    ("-2 cm", "length", -20.0),
    ("1 yd", "length", 914.4),
    ("0.5 ms", "time", 0.0005),
    ("250 µs", "time", 0.00025),
    ("250 μs", "time", 0.00025),
    ("250 us", "time", 0.00025),
    ("1.5 min", "time", 90.0),
    ("2 h", "time", 7200.0),
    ("150 m/s^2", "acceleration", 150_000.0),
    ("150 m/s²", "acceleration", 150_000.0),
    ("150 m/s**2", "acceleration", 150_000.0),
    ("150 m·s⁻²", "acceleration", 150_000.0),
    ("10 ft/s/s", "acceleration", 3048.0),
    ("200 1/s", "rate", 200.0),
    ("0.2 1/ms", "rate", 200.0),
    ("50 Hz", "rate", 50.0),
    ("inf 1/s", "rate", math.inf),
    ("-inf mm", "length", -math.inf),
    ("0.2 %", "share", 0.002),
    ("99.7%", "share", 0.997),
    ("5 percent", "share", 0.05),
    ("1.2 Nm", "torque", 1.2),
    ("1.2 N·m", "torque", 1.2),
    ("120 Ncm", "torque", 1.2),
    ("24 oz·in", "torque", 24 * OUNCE_INCH),
    ("24 oz-in", "torque", 24 * OUNCE_INCH),
    ("1 lb-ft", "torque", 1.3558179483314004),
    ("1 oz·in·s²", "inertia", OUNCE_INCH),
    ("1/16 in", "length", 1.5875),
    ("2 1/2 in", "length", 63.5),
    ("-1-1/2 in", "length", -38.1),
    ("60/s", "rate", 60.0),
    ("60/min", "rate", 1.0),
    ("200 rad/s", "rate", 200.0),
    ("35 mNm", "torque", 0.035),
    ("1 lbf*in", "torque", 0.1129848290276167),  # NIST SP 811, App. B: 1.129 848 E-01
    ("1 lbf*ft", "torque", 1.3558179483314004),  # the same: 1.355 818
    ("0.5 kg·cm²", "inertia", 0.00005),
    ("35 g*cm^2", "inertia", 0.0000035),
    ("1 lb*in^2", "inertia", 0.45359237 * 0.0254**2),  # the same: 2.926 397 E-04
    ("5 g", "mass", 0.005),
    ("1 lb", "mass", 0.45359237),  # exact since 1959
    ("16 oz", "mass", 0.45359237),
    ("7.85 g/cm^3", "density", 7850.0),
    ("0.4 kW", "power", 400.0),
    ("1 hp", "power", 745.6998715822702),  # the same: 550 ft·lbf/s, 7.456 999 E+02
    ("6 N", "force", 6.0),
    ("1 lbf", "force", 4.4482216152605),  # the same: 4.448 222
    ("3000 rpm", "angular speed", 3000.0),
    ("50 rev/s", "angular speed", 3000.0),
    ("3000 rev/min", "angular speed", 3000.0),
]


@pytest.mark.parametrize(("text", "kind", "value"), READ)
def test_reads(text, kind, value):
    assert parse(text, kind) == value


@pytest.mark.parametrize(("text", "kind", "fragment"), [
    ("", "length", 'a length, such as "70 mm"'),
    ("mm", "length", "a length"),
    ("70", "length", 'a length with its unit; write "70 mm"'),
    ("70,5 mm", "length", 'write "70.5 mm"'),
    ("5 s", "length", "this is a time"),
    ("5 m/s", "length", "this is a speed"),
    ("5 %", "length", "this is a share"),
    ("5 mm", "share", "this is a length"),
    ("5 1/s", "time", "this is a rate"),
    ("5 kg", "length", 'the unit "kg" is not known here'),
    ("5 rad", "share", 'the unit "rad" is not known here'),
    ("5 rpm", "rate", 'the unit "rpm" is not known here'),
    ("5 mm", "torque", "this is a length"),
    ("5 kg", "torque", "this is a mass"),
    ("1/0 in", "length", "nothing can be divided by 0"),
    ("1/16", "length", '"1/16" is no unit'),
    ("5 rad", "length", 'the unit "rad" is not known here'),
    ("5 lb*in", "length", 'the unit "lb" is not known here'),
    ("5", "torque", 'a torque with its unit; write "5 Nm"'),
    ("5 Nm", "inertia", "this is a torque"),
    ("5 kW", "torque", "this is a power"),
    ("5 1/s", "angular speed", "this is a rate"),
    ("5 rpm", "torque", 'the unit "rpm" is not known here'),
    ("5 Nm", "length", 'the unit "Nm" is not known here'),
    ("5", "inertia", "an inertia with its unit"),
    ("5 degC", "time", 'the unit "degC" is not known here'),
    ("5 mm*dB", "length", 'the unit "dB" is not known here'),
    ("5 mm*ppm", "length", '"mm*ppm" is no unit of that'),
    ("5 1", "share", "is no unit of that"),
    ("5 m/m", "share", "is no unit of that"),
    ("5 % m", "length", "is no unit"),
    ("5 %*m", "length", "is no unit of that"),
    ("5 mm^2", "length", "is no unit of that"),
    ("5 mm^9", "length", "is no unit"),
    ("5 mm^2^2", "length", "is no unit"),
    ("5 mm/", "length", "is no unit"),
    ("5 (mm)", "length", "is no unit"),
    ("1 000 mm", "length", "is no unit"),
    ("nan mm", "length", "nan is no size"),
    ("NaN mm", "length", "nan is no size"),
    ("infinite mm", "length", "a length"),
    ("1e10 mm", "length", "nothing beyond 1000000000 mm"),
    ("1e999 mm", "length", "nothing beyond"),
    ("1e9999 mm", "length", "a length"),
    ("1e-30 mm", "length", "0 or at least 0.000001 mm"),
    ("9" * 61, "length", "too long"),
    ("5 mm\n", "length", None),
    ("5\nmm", "length", "without control characters"),
    ("__import__('os').system('true')", "length", "a length"),
    ("5 __import__('os')", "length", "is no unit"),
    ("5 lambda:0", "length", "is no unit"),
])  # fmt: skip
def test_refuses(text, kind, fragment):
    if fragment is None:  # blanks around are no fault, a line's end is one of them
        assert parse(text, kind) == 5.0
        return
    with pytest.raises(QuantityError) as caught:
        parse(text, kind)
    assert fragment in str(caught.value)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    "text", ["0.0001 %", "1e-4 %", "1 ppm", "1 in 1000000", "1 in 1,000,000", "1  in 1000000 "]
)
def test_one_in_a_million(text):
    assert parse(text, "share") == 1e-6
    schema = quantity_schema("share")
    assert re.search(schema["pattern"], text)


@pytest.mark.parametrize("text", ["1 in 0", "1 in", "1 in 1,00", "1 ppm/s", "-1 in 5", "1 in 1e6"])
def test_what_is_no_share(text):
    with pytest.raises(QuantityError, match="a share"):
        parse(text, "share")


def test_a_quantity_of_one_of_two_kinds():
    assert measure("20 ms", "time", "length") == (0.02, "time")
    assert measure("20 mm", "time", "length") == (20.0, "length")
    with pytest.raises(QuantityError, match="this is a speed"):
        measure("20 mm/s", "time", "length")


def test_words_for_each_kind_hold_a_correct_example():
    for kind in KINDS:
        example = phrase(kind).split('"')[1]
        assert math.isfinite(parse(example, kind))


LARGEST = {
    "length": 1e9,
    "time": 1e6,
    "speed": 1e6,
    "acceleration": 1e9,
    "rate": 1e6,
    "share": 1e3,
    "torque": 1e6,
    "inertia": 1e6,
    "mass": 1e6,
    "density": 1e6,
    "power": 1e9,
    "force": 1e9,
    "angular speed": 1e7,
}
SMALLEST = {
    "length": 1e-6,
    "time": 1e-9,
    "speed": 1e-3,
    "acceleration": 1e-3,
    "rate": 1e-3,
    "share": 1e-12,
    "torque": 1e-9,
    "inertia": 1e-15,
    "mass": 1e-9,
    "density": 1e-3,
    "power": 1e-6,
    "force": 1e-9,
    "angular speed": 1e-6,
}


@given(st.data())
def test_canonical_text_reads_as_the_same_float(data):
    kind = data.draw(st.sampled_from(KINDS))
    size = data.draw(st.floats(SMALLEST[kind], LARGEST[kind]) | st.just(0.0) | st.just(math.inf))
    value = data.draw(st.sampled_from([size, -size]))
    again = parse(canonical(value, kind), kind)
    assert again == value
    assert math.copysign(1.0, again) == (1.0 if value == 0.0 else math.copysign(1.0, value))


def test_nothing_below_nothing():
    assert canonical(-0.0, "length") == "0 mm"


@given(st.floats(SMALLEST["share"], LARGEST["share"]))
def test_canonical_share_has_only_digits_that_matter(share):
    """A percentage is the shortest decimal of the share with the point moved: 17 digits at most."""
    digits = canonical(share, "share").removesuffix(" %").replace(".", "").strip("0")
    assert len(digits) <= 17


@settings(max_examples=300)
@given(st.text(max_size=80) | st.from_regex(r"[+-]?[0-9]{1,5}(\.[0-9]+)? ?[a-zA-Z%/*^1-9]{1,12}"))
def test_any_text_is_read_or_refused(text):
    for kind in ("length", "share"):
        try:
            value = parse(text, kind)
        except QuantityError as error:
            assert str(error).isprintable()  # noqa: PT017 - either outcome is right
        else:
            assert not math.isnan(value)


# What pint, a general library, makes of each unit of our own table.
@pytest.mark.parametrize("unit", ["mm", "cm", "m", "in", "inch", "ft"])
def test_lengths_agree_with_pint(unit):
    factor = pint.get_application_registry().Quantity(1.0, unit).to("mm").magnitude
    assert parse(f"1 {unit}", "length") == pytest.approx(factor, rel=1e-15)


@pytest.mark.parametrize("unit", ["s", "ms", "us", "µs", "min", "h"])
def test_times_agree_with_pint(unit):
    factor = pint.get_application_registry().Quantity(1.0, unit).to("s").magnitude
    assert parse(f"1 {unit}", "time") == pytest.approx(factor, rel=1e-15)


@pytest.mark.parametrize("text", ["2 mile", "3 yard", "1 dm", "5 µm", "4 thou"])
def test_other_units_come_from_pint(text):
    number, unit = text.split()
    factor = pint.get_application_registry().Quantity(float(number), unit).to("mm").magnitude
    assert parse(text, "length") == pytest.approx(factor, rel=1e-14)


def test_everyday_units_do_not_load_pint():
    """pint costs more than all the rest of reading a scenario."""
    code = (
        "import sys, feedsim.scenario as s; s.scenario_from_text(s.starter_text());"
        "heavy = {'pint', 'numpy', 'scipy', 'matplotlib', 'simpy'} & set(sys.modules);"
        "assert not heavy, heavy;"
        "from feedsim.measures import parse; parse('1 yd', 'length');"
        "assert 'pint' in sys.modules"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(("value", "kind", "units", "text"), [
    (1000.0, "speed", "metric", "60 m/min"),
    (1016.0, "speed", "inch", "200 ft/min"),
    (38.1, "length", "inch", "1.5 in"),
    (85.6, "length", "metric", "85.6 mm"),
    (1234567.0, "length", "metric", "1234567 mm"),
    (0.00012345, "length", "metric", "0.0001234 mm"),
    (-20.0, "length", "metric", "-20 mm"),
    (0.0, "length", "metric", "0 mm"),
    (0.0005, "time", "metric", "0.5 ms"),
    (1.5, "time", "metric", "1.5 s"),
    (150_000.0, "acceleration", "metric", "150 m/s²"),
    (3048.0, "acceleration", "inch", "120 in/s²"),
    (0.002, "share", "metric", "0.2 %"),
    (200.0, "rate", "inch", "200 1/s"),
    (math.inf, "rate", "metric", "inf 1/s"),
    (1.2, "torque", "metric", "1.2 N·m"),
    (0.00012, "inertia", "metric", "1.2 kg·cm²"),
    (4.4482216152605, "force", "inch", "1 lbf"),
    (0.005, "mass", "metric", "5 g"),
    (math.nan, "length", "metric", "–"),
])  # fmt: skip
def test_display(value, kind, units, text):
    assert display(value, kind, units=units) == text


def test_display_unit_turns_internal_values_into_shown_ones():
    unit = display_unit("speed", "inch")
    assert (unit.label, 1016.0 * unit.factor) == ("ft/min", pytest.approx(200.0, rel=1e-15))
    for kind in KINDS:
        label, factor = display_unit(kind)
        assert parse(f"1 {label}", kind) * factor == pytest.approx(1.0, rel=1e-15)


def test_radians_are_turns_over_two_pi():
    assert parse("1 rad/s", "angular speed") == pytest.approx(30.0 / math.pi, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "kind", "unit"),
    [
        ("2 slug", "mass", "kg"),
        ("3 lbf*ft", "torque", "N*m"),
        ("3 ozf*in", "torque", "N*m"),
        ("4 hp", "power", "W"),
        ("5 lb/ft^3", "density", "kg/m^3"),
        ("6 kgf", "force", "N"),
        ("7 lb*in^2", "inertia", "kg*m^2"),
    ],
)
def test_units_of_drives_agree_with_pint(text, kind, unit):
    number, _, name = text.partition(" ")
    known = pint.get_application_registry().Quantity(float(number), name)
    assert parse(text, kind) == pytest.approx(known.to(unit).magnitude, rel=1e-9)


@pytest.mark.parametrize(
    ("number", "kind", "says"),
    [
        ("0.95", "share", '"95 %" if a fraction was meant, or "0.95 %"'),
        ("1", "share", '"100 %" if a fraction was meant, or "1 %"'),
        ("5", "share", 'write "5 %"'),
        ("0", "share", 'write "0 %"'),
        ("0.02", "time", '"20 ms" if seconds were meant, or "0.02 ms"'),
        ("12", "time", 'write "12 ms"'),
        ("1000", "speed", '"1000 mm/s" if that was meant, or "1000 m/min"'),
        ("60", "speed", 'write "60 m/min"'),
    ],
)
def test_a_bare_number_is_offered_each_reading_that_makes_sense(number, kind, says):
    with pytest.raises(QuantityError) as caught:
        parse(number, kind)
    assert str(caught.value).endswith(says)
    assert with_unit(number, kind, quotes=True).endswith(says)
