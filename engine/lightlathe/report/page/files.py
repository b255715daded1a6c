"""Where a result came from: provenance, the file and its checksums."""

import json
from pathlib import Path
from typing import Any

from lightlathe.report.page.section import Section, figure_of, folded, number, table, text
from lightlathe.report.page.settings import unit_cell
from lightlathe.result import Record
from lightlathe.result.listing import Listed


def figures_section(record: Record) -> Section:
    """Every figure of the record."""
    rows = [
        (
            f"<code>{text(name)}</code>",
            figure_of(name, value, number(value)),
            unit_cell(name),
        )
        for name, value in sorted(record.quality.items())
    ]
    every = table(("figure", "value", "unit"), rows, kind="settings")
    return Section("figures", "All figures", folded(f"{len(rows)} figures, as the file holds them", every))


def job_section(record: Record) -> Section:
    """The job file's text, and every setting after defaults."""
    body = f'<pre tabindex="0" aria-label="job file">{text(record.job_toml)}</pre>'
    resolved = json.dumps(record.settings, indent=1, ensure_ascii=False, default=str)
    body += folded("Every setting after defaults", f'<pre tabindex="0">{text(resolved)}</pre>')
    return Section("job", "Job", body)


def provenance_section(record: Record, path: Path | None, listed: Listed | None) -> Section:
    """Versions, device, time; the SHA-256 of the file and of what the design read; what the file holds."""
    rows = [(f"<code>{text(name)}</code>", text(_plain(value))) for name, value in sorted(record.facts.items())]
    body = table(("provenance", "value"), rows, kind="settings")
    sums = [] if path is None else [("result file", text(path.name))]
    if listed is not None:
        sums.append(("SHA-256 of the file", f"<code>{listed.sha256}</code>"))
        if listed.seal:
            sums.append(("checksum of its content", f"<code>{text(listed.seal)}</code>"))
    named = record.settings.get("files", {})
    sums += [(f"read: {text(name)}", f"<code>{text(value)}</code>") for name, value in sorted(named.items())]
    body += table(("checksums", "SHA-256"), sums, kind="settings") if sums else ""
    if listed is not None:
        held = [
            (f"<code>{text(one.path)}</code>", text(one.kind), text(one.units), f"<code>{text(one.sha256)}</code>")
            for one in listed.datasets
        ]
        body += folded("What the file holds", table(("dataset", "type", "unit", "checksum"), held, kind="settings"))
    return Section("provenance", "Provenance and checksums", body)


def _plain(value: Any) -> str:
    listed = value.tolist() if hasattr(value, "tolist") else value
    return listed if isinstance(listed, str) else json.dumps(listed, default=str)
