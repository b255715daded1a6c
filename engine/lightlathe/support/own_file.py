"""A Python file of the user's, named in a job as "file.py:name". No other module reads or runs such files.

Reading a job runs nothing: `OwnFile.named` reads the file and sees from its syntax tree whether it defines the name.
`OwnFile.load` runs exactly the bytes that were read, when needed and with consent: see `OwnMember` in own.py.
"""

import ast
import hashlib
import logging
import sys
import types
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeGuard

from lightlathe.checks import path_in
from lightlathe.errors import JobError, brief, shown

log = logging.getLogger(__name__)

_RUN: set[str] = set()  # SHA-256 of what was run in this process

MAX_BYTES = 1_000_000  # of a file of one's own: some 25,000 lines


def is_own(name: Any) -> TypeGuard[str]:
    """Whether a job names a Python file here rather than a member of a family."""
    return isinstance(name, str) and ".py:" in name


@dataclass(frozen=True)
class OwnFile:
    """A name in a Python file, read but not run.

    name     as in the job, "file.py:name"
    file     the file, absolute
    source   its bytes when the job was read
    """

    name: str
    file: Path
    source: bytes = field(repr=False)

    @staticmethod
    def named(name: str, folder: Path) -> "OwnFile":
        """The file that `name` names, relative to `folder`. Raises JobError where it cannot be read, is not Python or
        does not define the name."""
        path, _, attribute = name.rpartition(":")
        file = path_in(folder, path).absolute()
        where = shown(name)
        if not file.is_file():
            raise JobError(f"{where}: there is no file {file}; paths are relative to the job file.")
        try:
            with file.open("rb") as opened:
                source = opened.read(MAX_BYTES + 1)
        except OSError as problem:
            raise JobError(f"{where}: {file} cannot be read ({problem.strerror}).") from None
        if len(source) > MAX_BYTES:
            raise JobError(f"{where}: {file} has more than {MAX_BYTES / 1e6:g} MB; expected a short Python file.")
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of invalid escapes: they are reported when the file is run
                tree = ast.parse(source, str(file))
        except (SyntaxError, ValueError, RecursionError, MemoryError) as problem:
            raise JobError(f"{where}: {file} is not Python: {type(problem).__name__}: {problem}") from None
        if not {attribute, "*", "__getattr__"} & set(_defined(tree.body)):
            known = (node.name for node in tree.body if isinstance(node, ast.FunctionDef | ast.ClassDef))
            raise _nothing(where, file, attribute, known)
        return OwnFile(name, file, source)

    @staticmethod
    def stored(name: str, sources: Mapping[str, str]) -> "OwnFile":
        """The same from the texts that a result holds, by file."""
        path = name.rpartition(":")[0]
        if path not in sources:
            raise JobError(f"{shown(name)}: the result does not hold the text of that Python file.")
        return OwnFile(name, Path(path), sources[path].encode())

    @property
    def sha256(self) -> str:
        """Of the bytes that `load` runs."""
        return hashlib.sha256(self.source).hexdigest()

    @property
    def was_run(self) -> bool:
        """Whether these very bytes were run in this process."""
        return self.sha256 in _RUN

    def load(self, settings: dict[str, Any], makes: bool = False) -> Any:
        """Run the file and return what it has under the name: a function, or an instance of a class, made with
        `settings` as its arguments. Raises JobError that names the file, for whatever goes wrong in it.

        makes   a function makes the member, from `settings` too
        """
        where, attribute = shown(self.name), self.name.rpartition(":")[2]
        log.info("running %s", self.file)
        _RUN.add(self.sha256)
        module = types.ModuleType(f"lightlathe_own_{self.file.stem}_{self.sha256[:8]}")
        module.__file__ = str(self.file)
        sys.modules[module.__name__] = module  # a dataclass looks its module up there
        try:
            exec(compile(self.source, str(self.file), "exec", dont_inherit=True), vars(module))
        except (Exception, SystemExit) as problem:
            raise JobError(f"{where}: {self.file} does not run: {type(problem).__name__}: {problem}") from problem
        found = getattr(module, attribute, None)
        if not callable(found):
            own = (n for n, v in vars(module).items() if getattr(v, "__module__", "") == module.__name__)
            raise _nothing(where, self.file, attribute, own)
        if not makes and not isinstance(found, type):
            if settings:
                took = brief(", ".join(settings))
                raise JobError(f"{where}: '{attribute}' is a function and takes no settings; got {took}.")
            return found
        try:
            return found(**settings)
        except Exception as problem:
            given = shown(settings) if settings else ""
            raise JobError(f"{where}: {attribute}({given}) fails: {type(problem).__name__}: {problem}") from problem


def _nothing(where: str, file: Path, attribute: str, known: Any) -> JobError:
    names = brief(", ".join(n for n in known if not n.startswith("_"))) or "none"
    return JobError(f"{where}: {file} has no function or class {shown(attribute)}. It has: {names}.")


def _defined(body: list[ast.stmt]) -> Iterator[str]:
    """Names that the statements of a module bind, "*" for a star import; functions and classes are not looked into."""
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.Import | ast.ImportFrom):
            yield from ((alias.asname or alias.name).partition(".")[0] for alias in node.names)
        else:
            for inner in ast.iter_child_nodes(node):
                yield from _defined([inner]) if isinstance(inner, ast.stmt) else _bound(inner)


def _bound(node: ast.AST) -> Iterator[str]:
    """Names bound within an expression or a clause of a statement."""
    for inner in ast.walk(node):
        if isinstance(inner, ast.Name) and isinstance(inner.ctx, ast.Store):
            yield inner.id
        elif isinstance(inner, ast.FunctionDef | ast.ClassDef):
            yield inner.name
