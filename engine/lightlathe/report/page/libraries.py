"""The libraries that a page takes (the extra `report`), each with one clear error where it is missing."""

from typing import Any

from lightlathe.errors import ResultError


def plotly() -> tuple[str, str]:
    """Plotly.js as text, and the version of the Python package that brings it."""
    try:
        import plotly
        from plotly.offline import get_plotlyjs
    except ImportError:
        raise ResultError(
            "a report needs Plotly, which is not installed. pip install 'plotly>=6' (the extra 'report')"
        ) from None
    return get_plotlyjs(), plotly.__version__


def marching_cubes() -> Any:
    """The function of scikit-image."""
    try:
        from skimage.measure import marching_cubes
    except ImportError:
        raise ResultError(
            "the surfaces of the report need scikit-image, which is not installed. "
            "pip install 'scikit-image>=0.22' (the extra 'report')"
        ) from None
    return marching_cubes
