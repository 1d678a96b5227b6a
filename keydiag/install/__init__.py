"""The probe's way onto the controller: which controllers are known by their USB identity, and the
steps from whatever runs there now to a probe that says HI.

Not here: options and printing (cli/probe_*.py), opening ports (sources/).
"""

from keydiag.install.identity import Identity, Kind, identify
from keydiag.install.steps import BUILD, Tools, image_for, install, own_firmware_words

__all__ = [
    "BUILD",
    "Identity",
    "Kind",
    "Tools",
    "identify",
    "image_for",
    "install",
    "own_firmware_words",
]
