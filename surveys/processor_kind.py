"""What decides the last digit of a figure beside the code: the processor as the libraries use it, and the libraries.

Two processes that say the same here give the same figures to the last digit from the same numbers.
"""

from __future__ import annotations

import platform
from functools import lru_cache
from typing import Any, cast

import numpy as np
import scipy
import scipy.linalg  # loads the matrix library that is asked about below
from threadpoolctl import threadpool_info


@lru_cache(maxsize=1)
def processor_kind() -> str:
    """Return processor, kernels of the matrix libraries, extensions that numpy uses, and versions, as one line."""
    shown = cast(dict[str, Any], np.show_config(mode="dicts"))
    kernels = sorted(
        f"{one.get('internal_api')} {one.get('version')} {one.get('architecture')}"
        for one in threadpool_info()
        if one.get("user_api") == "blas"
    )
    extensions = sorted(str(name) for name in shown["SIMD Extensions"].get("found", []))
    libraries = (f"numpy {np.__version__}", f"scipy {scipy.__version__}")
    return "; ".join((platform.machine(), *platform.libc_ver(), *kernels, " ".join(extensions), *libraries))
