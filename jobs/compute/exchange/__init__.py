"""After fitting: predicted against measured, and what most likely happened where they differ.

Promise
    `look_back` says of every valve what was predicted and what was measured, which valves differ by more
    than leaves and micrometers allow, and what most likely happened: shims put in each other's places or
    gone round among three, a figure keyed in the wrong unit, a used shim upside down, a reading that cannot
    be right. Each cause comes with its probability under the model of evidence.py. Two shims so alike that
    their leaves could not show an exchange are named as such, and never a finding.

The way: types -> evidence (how likely the readings are under each cause) -> findings -> words.
"""

from jobs.compute.exchange.findings import differs, look_back
from jobs.compute.exchange.types import Cause, Finding, FittedValve, Fitting, LookBack, Outcome

__all__ = [
    "Cause",
    "Finding",
    "FittedValve",
    "Fitting",
    "LookBack",
    "Outcome",
    "differs",
    "look_back",
]
