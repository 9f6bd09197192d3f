"""Which command writes what a customer is handed?"""

import errno
from collections.abc import Sequence
from pathlib import Path

import click

from kerfbeat.cli._diagnose import log_files, machine_option, opened
from kerfbeat.cli._echo import echo
from kerfbeat.cli._known import known_in
from kerfbeat.cli._show import FILE, examples, json_option, paper_option, print_json, refuse_existing, unit_option, warn
from kerfbeat.whole_file import write_whole

__all__ = ["report"]

PAGES = (".html", ".htm")
BESIDE = "beside"  # what --html holds when it is given without a name


@click.command(
    epilog=examples(
        "kerfbeat report cut-3.csv -o report.pdf",
        "kerfbeat report before.csv after.csv -o change.pdf --html",
        "kerfbeat report cut-3.csv -o report.html --unit ft/min",
        "kerfbeat report cut-3.csv --json",
    )
)
@click.argument("paths", nargs=-1, required=True, type=FILE, metavar="LOG...")
@click.option("-o", "--output", type=FILE, metavar="FILE", help="Report to write: .pdf, or .html for a browser.")
@click.option(
    "--html",
    is_flag=False,
    flag_value=BESIDE,
    metavar="[FILE]",
    help="Also one HTML file that needs nothing else; without a name beside the PDF.",
)
@paper_option
@click.option("--replace", is_flag=True, help="Write over a file that exists.")
@machine_option
@unit_option
@json_option
def report(
    *,
    paths: Sequence[Path],
    output: Path | None,
    html: str | None,
    paper: str,
    replace: bool,
    machine_path: Path | None,
    unit: str | None,
    as_json: bool,
) -> None:
    """Write a report to hand on: the whole story of a run, or of a change from log to log.

    One log: verdict with its evidence, speed, marks, cuts, slip, drift, orders, what was left out and why, calibration,
    how the numbers were got, cautions.  Several logs or a folder: also what changed from the first to each other one.
    An analysis that a log does not allow is left out, with its reason.
    """
    from datetime import UTC, datetime

    from kerfbeat.diagnose.changes import changes_between
    from kerfbeat.diagnose.findings import findings_of
    from kerfbeat.present.numbers import unit_for
    from kerfbeat.present.report import log_names, report_document, report_of, require_one_machine_name

    targets = _targets(output, html, replace=replace, as_json=as_json)
    files = log_files(paths)
    names = log_names(files)
    logs = [opened(path, machine_path) for path in files]
    require_one_machine_name(logs)
    runs = [findings_of(log, known_in(log)) for log in logs]
    changes = changes_between(runs, names=names) if len(runs) > 1 else None
    made = report_of(
        runs,
        changes,
        names=names,
        unit=unit or unit_for(logs[0].machine),
        described="in the log, as it was then" if machine_path is None else f"today in {machine_path.name}",
        made=datetime.now(UTC),
    )
    for path in targets:
        if path.suffix.lower() in PAGES:
            from kerfbeat.present.report_html import html_bytes

            write_whole(path, html_bytes(made))
        else:
            from kerfbeat.present.report_paper import paper_bytes

            write_whole(path, paper_bytes(made, paper=paper))
    if as_json:
        print_json(report_document(runs, changes, names=names, written=targets))
    for path in targets:
        echo(f"{path}: written, from {', '.join(names)}", err=True)
    for line in dict.fromkeys(line for log in logs for line in log.warnings):
        warn(line)


def _targets(output: Path | None, html: str | None, *, replace: bool, as_json: bool) -> list[Path]:
    """The files to write, checked before any work is done."""
    found = [] if output is None else [output]
    if output is not None and output.suffix.lower() not in (".pdf", *PAGES):
        raise click.UsageError(f"{output} is no name of a report; end it with .pdf or .html")
    if html is not None and html != BESIDE:
        if Path(html).suffix.lower() not in PAGES:
            raise click.UsageError(f"--html {html} is no page; end its name with .html, or put --html last")
        found.append(Path(html))
    elif html is not None:
        if output is None:
            raise click.UsageError("--html without a name needs -o; or give it one, such as --html report.html")
        if output.suffix.lower() == ".pdf":
            found.append(output.with_suffix(".html"))
    if not found and not as_json:
        raise click.UsageError("nothing to write; add -o report.pdf")
    for path in found:
        if not path.parent.is_dir():
            raise FileNotFoundError(errno.ENOENT, "no such folder", str(path.parent))
        refuse_existing(path, replace=replace)
    return list(dict.fromkeys(found))
