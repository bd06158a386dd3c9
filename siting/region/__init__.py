"""Region folders: read, checked, frozen."""

from siting.region.faults import Fault, Findings, InputError
from siting.region.model import Candidates, Origin, Region
from siting.region.reading import read_region

__all__ = ["Candidates", "Fault", "Findings", "InputError", "Origin", "Region", "read_region"]
