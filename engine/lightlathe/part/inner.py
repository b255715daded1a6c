"""Compiled functions that compiled functions alone call: kept within those, not on disk by themselves.

Without entries of their own for Python and C they take a fifth less time to compile.
"""

import numba

inner = numba.njit(no_cpython_wrapper=True, no_cfunc_wrapper=True)  # pyright: ignore[reportCallIssue]
