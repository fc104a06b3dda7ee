"""Freed memory stays with the process that examines frames, to be used again for the next frame.

Arrays as large as frames are given back to the system as soon as they are freed, and what is taken
anew has to be filled with zeros by the system first, page by page: a seventh of all the time that
a frame takes. Of GNU's C library it can be had otherwise (mallopt(3)); elsewhere nothing is done.
The process keeps what its largest frame needed until it ends.
"""

import ctypes
import sys
from functools import cache

M_TRIM_THRESHOLD, M_MMAP_MAX = -1, -4  # malloc.h
NEVER = (1 << 31) - 1


@cache
def keep_memory() -> bool:
    """Keep freed memory from now on; whether the C library does so. Once per process."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError):  # another C library
        return False
    return bool(mallopt(M_MMAP_MAX, 0)) and bool(mallopt(M_TRIM_THRESHOLD, NEVER))
