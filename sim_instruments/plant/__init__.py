"""One physical model of a mains-powered bench supply, shared by all simulated instruments."""

from sim_instruments.plant.design import UnitSpec, design_unit
from sim_instruments.plant.faults import FAULTS, FaultSpec, parse_fault
from sim_instruments.plant.parts import Parts
from sim_instruments.plant.plant import Plant
from sim_instruments.plant.settings import Inlet, LoadDemand
from sim_instruments.plant.truth import Truth

__all__ = [
    "FAULTS",
    "FaultSpec",
    "Inlet",
    "LoadDemand",
    "Parts",
    "Plant",
    "Truth",
    "UnitSpec",
    "design_unit",
    "parse_fault",
]
