"""A scenario: the file, its keys, defaults and checks, and the machine it describes."""

from feedsim.scenario.model import Scenario
from feedsim.scenario.overrides import apply_overrides
from feedsim.scenario.reading import load_scenario, scenario_from_dict, scenario_from_text
from feedsim.scenario.rewriting import scenario_to_toml
from feedsim.scenario.schema import json_schema
from feedsim.scenario.starter import starter_text
from feedsim.scenario.to_machine import machine_from
from feedsim.scenario.units import units_of
from feedsim.scenario.writing import AS_WRITTEN, at_line_speed, override, scenario_to_dict

__all__ = [
    "AS_WRITTEN",
    "Scenario",
    "apply_overrides",
    "at_line_speed",
    "json_schema",
    "load_scenario",
    "machine_from",
    "override",
    "scenario_from_dict",
    "scenario_from_text",
    "scenario_to_dict",
    "scenario_to_toml",
    "starter_text",
    "units_of",
]
