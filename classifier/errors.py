"""The errors Nightcull raises on purpose. Library code raises them; only `cli.py` exits.

    NightcullError
    ├── FrameError      one file cannot be labelled; the rest of the night goes on
    ├── RigError        a rig file or rig option cannot be understood
    ├── ModelError      a model folder is missing, damaged or made for another vocabulary
    └── UsageError      the request as a whole cannot be carried out

Every message is one sentence that says what was wrong, the value met, and what to do next.
"""


class NightcullError(Exception):
    """Base of all errors raised on purpose; its text is shown to the user as it is."""


class FrameError(NightcullError):
    """A file that cannot be read or labelled as a frame."""


class RigError(NightcullError):
    """A rig file or a rig option that cannot be understood."""


class ModelError(NightcullError):
    """A model folder that is missing, damaged or of another vocabulary."""


class UsageError(NightcullError):
    """A request that cannot be carried out as asked."""
