"""A small study for tests: its plan, how it is made, and a watch that stops it."""

from lightlathe.study.plan import load_plan
from lightlathe.study.run import begin, run

PLAN = """
[study]
jobs = ["small.toml"]
repeats = 2
bound_iterations = 20
[study.set]
"design.iterations" = 6
[study.vary]
"design.loss" = ["gap_hinge", { kind = "gap_hinge", exponent = 4 }]
"design.solver" = ["free_set_ramp"]
"""


class StopBefore:
    """Watches a study, and ends it as Ctrl-C would when a design begins."""

    def __init__(self, number=None):
        self.number, self.begun, self.said, self.iterations = number, [], [], 0

    def begin(self, number, words):
        self.begun.append(words)
        if number == self.number:
            raise KeyboardInterrupt

    def __call__(self, figures):
        self.iterations += 1

    def done(self, words):
        self.said.append(words)


def made(folder, plan=PLAN, **options):
    """The study that a plan gives, in folder/out.study.h5."""
    (folder / "study.toml").write_text(plan)
    path = folder / "out.study.h5"
    study, todo = begin(load_plan(folder / "study.toml"), path, resume=options.pop("resume", False))
    return run(study, todo, path, **options)
