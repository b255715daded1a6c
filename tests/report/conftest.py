"""Pages of results in the browser, for the tests of what they show and of their controls."""

import pytest
from browser import SIZE, tab

from lightlathe import pipeline
from lightlathe.job import parse_job
from lightlathe.result import read_result, write_result
from odd_jobs import disc, parts

NAME = """a<b> & "c" 'd' </script><script>alert(1)</script> é"""
REMARK = "# </script><script>alert(2)</script> <!-- & \"quoted\" 'too' --> \\u003c é\n"
INSERT = parts(
    'shape = { kind = "cylinder", radius_mm = 3.0, height_mm = 1.0 }',
    'role = "insert"\nshape = { kind = "cylinder", radius_mm = 1.0, height_mm = 30.0 }',
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("pages")


@pytest.fixture(scope="module")
def browsed():
    with tab() as found:
        yield found


def made(folder, name, file, *changes):
    """A result and its page."""
    record = pipeline.design(parse_job(REMARK + disc(*changes), name=name, folder=folder))
    path = folder / f"{file}.lathe.h5"
    write_result(record, path)
    return path, pipeline.report([read_result(path)], [path], folder / f"{file}.html")


@pytest.fixture(scope="module")
def odd(folder):
    """With an insert, and names and text that would break a careless page: (result, page)."""
    return made(folder, NAME, "odd <name> & #1", INSERT, ("iterations = 12", "iterations = 6"))


@pytest.fixture(scope="module")
def other(folder):
    """Half as high, so that its grid is smaller."""
    return made(folder, "other", "other", ("iterations = 12", "iterations = 3"), ("height_mm = 1.0", "height_mm = 0.5"))


@pytest.fixture
def shown(browsed, odd):
    """The page of `odd`, drawn; loaded once, as long as no test shows another."""
    browsed.page.emulate_media(color_scheme="light", media="screen")
    browsed.page.set_viewport_size(SIZE)
    if browsed.path != odd[1]:
        browsed.show(odd[1])
    return browsed
