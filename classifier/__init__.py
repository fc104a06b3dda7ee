"""Nightcull's product side: frames in, labels out.

Read in this order: `vocabulary` (the faults), `frame` (reading a file), `background`, `stars`
and `measures` (the classical second opinion), `views` and `network` (what the model sees and
is), `label` (the whole path), `verdict`, `report`, and `cli` on top. Importing this package
loads nothing heavy; every module is imported by its own name.
"""

__version__ = "0.1.0"
