"""Everything that is kept about a water train."""

from .base import Fact
from .cartridge import Cartridge, CartridgeSpec, Fitting
from .estimate import Cause, Estimate, OwnFigure
from .flow import FlowTest, Meter, MeterReading, PressureReading, RestrictorFitting, Shutoff
from .outlet import Note, OutletTest
from .train import CARBON_KINDS, Housing, Kind, Stage, Train
from .water import Disinfectant, HistoryImport, Source, SourceReading, SwitchPeriod

__all__ = [
    "CARBON_KINDS",
    "Cartridge",
    "CartridgeSpec",
    "Cause",
    "Disinfectant",
    "Estimate",
    "Fact",
    "Fitting",
    "FlowTest",
    "HistoryImport",
    "Housing",
    "Kind",
    "Meter",
    "MeterReading",
    "Note",
    "OutletTest",
    "OwnFigure",
    "PressureReading",
    "RestrictorFitting",
    "Shutoff",
    "Source",
    "SourceReading",
    "Stage",
    "SwitchPeriod",
    "Train",
]
