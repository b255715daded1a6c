"""`lightlathe check`: can it work?"""

import argparse
import dataclasses
import json
import re
from typing import TYPE_CHECKING

from lightlathe.cli.say import print_notes, print_own
from lightlathe.errors import LightlatheError

if TYPE_CHECKING:
    from lightlathe.feasibility import Machine


def check(arguments: argparse.Namespace) -> int:
    from lightlathe import feasibility
    from lightlathe.flow.solids import load_solids
    from lightlathe.job import load_job

    job, machine = load_job(arguments.job), machine_named(arguments)
    if arguments.processes != 1:
        machine = dataclasses.replace(machine or feasibility.this_machine(job), processes=arguments.processes)
    print_own(job.own_of_print, quietly=arguments.json)
    solids, said = load_solids(job)
    thin = feasibility.thinnest(job, solids)
    verdict = feasibility.check(job, solids, machine, thin)
    parts = feasibility.parts_lines(job, solids, said, thin)
    if arguments.json:
        own = [str(member.source.file) for member in job.own]
        ran = [str(member.source.file) for member in job.own_of_print]
        said = {"parts": parts, "design_would_run": own, "check_ran": ran, "notes": list(job.renamed)}
        print(json.dumps(verdict.as_json() | said, indent=1))
    else:
        later = [m for m in job.own if m not in job.own_of_print]
        own = [f"note: {m.name} is Python of the job's own; `design` runs {m.source.file}" for m in later]
        text = verdict.text(brief=arguments.brief)
        print("\n".join([text, *(line for line in parts if not _told(line, text)), *own]))
        print_notes(job)
    return verdict.exit_code


def _told(warning: str, text: str) -> bool:
    """Whether a verdict already says by how much the part's flat ends lie off rows."""
    move = re.search(r"\S+ mm more along z", warning)
    return move is not None and move[0] in text and "shift_mm of the job" in warning


def machine_named(arguments: argparse.Namespace) -> "Machine | None":
    """The machine that `check` was asked to judge for; None for this one."""
    from lightlathe.feasibility import Machine

    if arguments.machine is not None:
        from lightlathe.bench import machine_from

        if arguments.device is not None:
            raise LightlatheError("--device goes with --memory; a bench file (--machine) names its own device.")
        return machine_from(arguments.machine)
    if arguments.memory is None:
        if arguments.device is not None:
            raise LightlatheError("--device goes with --memory GB, the memory of that machine or card.")
        return None
    if arguments.device is None:
        raise LightlatheError("--memory goes with --device: expected --device cpu or --device cuda beside it.")
    name = f"a {'card' if arguments.device == 'cuda' else 'machine'} with {arguments.memory:g} GB"
    return Machine(arguments.device, 1e9 * arguments.memory, name=name)
