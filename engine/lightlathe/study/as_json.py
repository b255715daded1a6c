"""A study as plain values for JSON: the ranking, and every run with its figures."""

import math
from typing import Any

from lightlathe.study.ranking import label, ranking
from lightlathe.study.runs import Study
from lightlathe.support.plain import finite


def study_json(study: Study, rank_by: str) -> dict[str, Any]:
    """Names of figures are those of the file; None for one that is no finite number."""
    lines = [
        {
            "job": line.job,
            "rank": line.rank,
            "variant": line.variant,
            "name": line.name,
            "runs": line.runs,
            "spread": None if math.isnan(line.spread) else line.spread,
            "failed": line.failed,
            "figures": finite(line.figures),
        }
        for line in ranking(study, rank_by)
    ]
    runs = [
        {
            "job": run.job,
            "variant": run.variant,
            "name": label(run.variant),
            "repeat": run.repeat,
            "figures": finite(run.figures),
            "facts": {name: value.tolist() if hasattr(value, "tolist") else value for name, value in run.facts.items()},
        }
        for run in study.runs
    ]
    return {"name": study.name, "ranked_by": rank_by, "ranking": lines, "runs": runs}
