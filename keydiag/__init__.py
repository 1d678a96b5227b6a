"""keydiag: the bench tool that finds the bad joint on a hand-wired split keyboard half.

Only the version lives here, so that ``import keydiag`` costs nothing.
"""

__version__ = "0.1.0"
