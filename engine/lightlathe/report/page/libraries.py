"""The libraries that a page takes (the extra `report`), with one error that names all that is missing."""

from importlib import import_module
from typing import Any

from lightlathe.errors import ResultError
from lightlathe.support.words import any_of

LIBRARIES = {"Plotly": "plotly.offline", "scikit-image": "skimage.measure"}
INSTALL = "pip install 'plotly>=6' 'scikit-image>=0.22' (the extra 'report')"


def plotly() -> tuple[str, str]:
    """Plotly.js as text, and the version of the Python package that brings it."""
    require_libraries("Plotly")
    import plotly
    from plotly.offline import get_plotlyjs

    return get_plotlyjs(), plotly.__version__


def marching_cubes() -> Any:
    """The function of scikit-image."""
    require_libraries("scikit-image")
    from skimage.measure import marching_cubes

    return marching_cubes


def require_libraries(*needed: str) -> None:
    """ResultError where one of LIBRARIES that is needed (none named: all) cannot be imported; it names all of them."""
    if not all(_there(LIBRARIES[name]) for name in needed or LIBRARIES):
        missing = [name for name, module in LIBRARIES.items() if not _there(module)]
        said = any_of(missing).replace(" or ", " and ")
        raise ResultError(
            f"a report needs {said}, which {'is' if len(missing) == 1 else 'are'} not installed. {INSTALL}"
        )


def _there(module: str) -> bool:
    try:
        import_module(module)
    except ImportError:
        return False
    return True
