"""Does a report hold what the analyses found, word by word, on paper and in a browser, whatever the log is like?"""

import dataclasses
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure
from pypdf import PdfReader

from kerfbeat.calibration import Calibration, Known, Result, known
from kerfbeat.capture.importers import import_pulses
from kerfbeat.capture.log import Mark, PulseLog, read_log
from kerfbeat.diagnose.changes import changes_between
from kerfbeat.diagnose.findings import Findings, findings_of
from kerfbeat.errors import LogError
from kerfbeat.machine import Setting, demo_machine, parse_machine
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present import ink
from kerfbeat.present.report import log_names, report_document, report_of, require_one_machine_name
from kerfbeat.present.report_basis import calibration_rows, left_out_rows
from kerfbeat.present.report_columns import column_widths_mm, heading
from kerfbeat.present.report_content import Facts, Grid, Points, Report, Words
from kerfbeat.present.report_html import html_bytes
from kerfbeat.present.report_machine import machine_facts
from kerfbeat.present.report_paper import paper_bytes
from kerfbeat.present.report_verdict import idle_against_band, verdict_section
from kerfbeat.simulate import simulate_log

MADE = datetime(2026, 3, 4, 5, 6, tzinfo=UTC)
Apart = Callable[[list[Figure]], None]


def findings(log: PulseLog) -> Findings:
    return findings_of(log, known(None, log.machine))


def written(runs: Sequence[Findings], names: Sequence[str], *, unit: str = "m/min") -> Report:
    changes = changes_between(runs, names=names) if len(runs) > 1 else None
    return report_of(runs, changes, names=names, unit=unit, described="in the log", made=MADE)


def paper_text(report: Report, *, paper: str = "a4") -> list[str]:
    """Words of every page, with single spaces."""
    reader = PdfReader(BytesIO(paper_bytes(report, paper=paper)))
    return [" ".join(page.extract_text().split()) for page in reader.pages]


def content(report: Report) -> str:
    """Words of a report before they become paper, drawings left out."""
    texts = [report.title]
    for section in (section for chapter in report.chapters for section in chapter.sections):
        texts.append(section.title)
        for block in section.blocks:
            if isinstance(block, Words):
                texts.append(block.text)
            elif isinstance(block, Points):
                texts += [block.lead, *block.lines]
            elif isinstance(block, Facts | Grid):
                texts += [" ".join(row) for row in block.rows]
    return " ".join(" ".join(texts).split())


class Page(HTMLParser):
    """Reads a page as the standard library does, and keeps its words, tags and attributes."""

    def __init__(self, report: Report) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: set[str] = set()
        self.attributes: list[tuple[str, str]] = []
        self.text: list[str] = []
        self.styles: list[str] = []
        self.feed(html_bytes(report).decode("utf-8"))
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        if tag not in ("meta", "img"):  # the void elements that the page uses
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        (self.styles if self.open[-1:] == ["style"] else self.text).append(data)

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.text).split())


@pytest.fixture(scope="session")
def lumpy(tmp_path_factory: pytest.TempPathFactory) -> PulseLog:
    """Four minutes with two cuts, idle time enough for a drift, and a lumpy belt: every analysis can be done."""
    path = tmp_path_factory.mktemp("report") / "lumpy.csv"
    settings = {"duration_s": 240.0, "belt_lump": "0.2 %"}
    simulate_log("cut", demo_machine("saw"), path, seed=7, settings=settings)
    return read_log(path)


@pytest.fixture(scope="session")
def lumpy_run(lumpy: PulseLog) -> Findings:
    return findings(lumpy)


@pytest.fixture(scope="session")
def one_log(tmp_path_factory: pytest.TempPathFactory) -> PulseLog:
    """A wheel with one target and nothing else described, imported, nothing marked."""
    folder = tmp_path_factory.mktemp("one")
    machine = parse_machine('name = "Wheel"\n[wheel]\ndiameter = "300 mm"\n[sensor.wheel]\ntargets = 1\n')
    pulses = "".join(f"wheel,{0.9 * k:.6f}\n" for k in range(80))
    (folder / "in.csv").write_text(f"channel,seconds\n{pulses}", encoding="utf-8")
    import_pulses(folder / "in.csv", folder / "one.csv", machine=machine, setting=Setting())
    return read_log(folder / "one.csv")


def shown_estimates(document: Any) -> list[Mapping[str, float]]:
    """Every {value, u95} of a JSON document."""
    if isinstance(document, Mapping):
        own = [document] if {"value", "u95"} <= document.keys() else []
        return own + [each for value in document.values() for each in shown_estimates(value)]
    if isinstance(document, list | tuple):
        return [each for value in document for each in shown_estimates(value)]
    if isinstance(document, Estimate):
        return [{"value": document.value, "u95": document.u95}]
    return []


def numbers(text: str) -> list[tuple[float, float]]:
    """Every "a ± b" of a text."""
    return [(float(a), float(b)) for a, b in re.findall(r"(-?\d+\.?\d*) ± (\d+\.?\d*)", text)]


def assert_told(document: Any, text: str, *, least_u95: float = 0.0) -> None:
    """Assert that each estimate stands in the text, to the digits that are printed: they keep 30 % of a half-width.

    least_u95 : half-widths below it are told as this, and the value to half of its last digit.
    """
    told = np.array(numbers(text))
    estimates = shown_estimates(document)
    assert estimates
    for each in estimates:
        u95 = max(each["u95"], least_u95)
        room = (0.5 if u95 > each["u95"] else 0.3) * u95 + 1e-12
        near = (np.abs(told[:, 0] - each["value"]) <= room) & (np.abs(told[:, 1] - u95) <= 0.3 * u95 + 1e-12)
        assert near.any(), each


def test_numbers_are_those_of_slip_drift_and_orders(
    run: Callable[..., Any], lumpy: PulseLog, lumpy_run: Findings
) -> None:
    report = written([lumpy_run], ["lumpy.csv"])
    on_paper, on_screen = " ".join(paper_text(report)), Page(report).words
    slip = run("slip", lumpy.source)
    drift = run("drift", lumpy.source)
    orders = run("orders", lumpy.source, channel="wheel")
    for text in (on_paper, on_screen):
        assert_told(slip["belt_slip_percent"], text, least_u95=0.01)  # as the report says of slip and drop
        assert_told([slip["motor_slip_percent"], slip["load_in_cuts"]], text)
        assert_told([each["percent"] for each in slip["absolute_idle_slip_percent"]], text)
        cut = slip["cuts"][1]
        assert_told(cut["speed_drop_percent"], text, least_u95=0.01)
        assert_told([cut["motor_slip_percent"], cut["load"]], text)
        assert_told(drift["total_percent"], text)
        assert_told([peak["amplitude_percent"] for peak in orders["peaks"]], text)
        assert slip["verdict"].partition(": ")[2] in text
        assert "belt of first belt, once a pass" in text
    assert len(orders["peaks"]) == 1


@pytest.fixture
def run() -> Callable[..., Any]:
    """Runs an analysis command and gives its JSON."""
    import json

    from click.testing import CliRunner

    from kerfbeat import cli

    def run(command: str, source: str, **options: str) -> Any:
        words = [command, source, "--json", *(word for name, value in options.items() for word in (f"--{name}", value))]
        result = CliRunner().invoke(cli.main, words)
        assert result.exit_code == 0, result.output
        return json.loads(result.stdout)

    return run


def test_report_s_json_holds_what_the_commands_print(
    run: Callable[..., Any], lumpy: PulseLog, lumpy_run: Findings
) -> None:
    from kerfbeat.cli._show import _plain

    (log,) = _plain(report_document([lumpy_run], None, names=["lumpy.csv"], written=[]))["logs"]
    assert log["slip"] == run("slip", lumpy.source)
    assert log["drift"] == run("drift", lumpy.source)
    assert log["orders"]["motor"] == run("orders", lumpy.source, channel="motor")
    printed = run("speed", lumpy.source)
    assert log["speed"]["blade_m_per_min"] == printed["blade_m_per_min"]
    assert list(log["not_done"]) == ["orders of blade"]
    assert log["settings"][0]["hz"] == 50.0
    assert (log["settings"][0]["start_s"], log["settings"][0]["end_s"]) == pytest.approx((0.0, 240.0), abs=0.5)


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_every_page_names_machine_log_date_and_number(
    lumpy_run: Findings, paper: str, size_mm: tuple[float, float]
) -> None:
    made = paper_bytes(written([lumpy_run], ["lumpy.csv"]), paper=paper)
    reader = PdfReader(BytesIO(made))
    assert len(reader.pages) > 2
    for number, page in enumerate(reader.pages, start=1):
        box = page.mediabox
        # a PDF unit is 1/72 in (ISO 32000-1, 8.3.2.3); ISO 216 A4, ANSI/ASME Y14.1 A
        assert (float(box.width) / 72 * 25.4, float(box.height) / 72 * 25.4) == pytest.approx(size_mm, abs=0.01)
        text = " ".join(page.extract_text().split())
        assert text.startswith("Shared-workshop cut-off saw (invented example) lumpy.csv (2025-01-06)")
        assert f"page {number} of {len(reader.pages)}" in text
        assert "not a safety device" in text


HEADINGS = (
    "The run", "Verdict", "Speed", "Marks and events", "Cuts", "Slip", "Drift", "Orders: what shakes the speed",
    "What was left out, and why", "The machine", "Calibration",
    "How the numbers were got", "What the ± means", "Cautions",
)  # fmt: skip


def logs_of_many_kinds(repository: Path) -> dict[str, tuple[Path, tuple[str, ...]]]:
    """Sample logs, and what a report of each must say."""
    samples = repository / "sample_logs"
    return {
        "slips": (samples / "saw-belt-slip.csv", ("A belt slips more than it creeps", "first belt slips")),
        "reset": (samples / "board-grinder-reset.csv", (
            "Not done: 5 s of running outside cuts on wheel, 8 s after and 3 s before each mark left out, are too",
            "the board restarted: board reset", "0.02 s in which pulses of a channel were lost",
            "9 s of unbroken running are too short", "not steady long enough",
            "no sensor watches it: its slip and the load are not known", "cuts none is marked",
        )),
        "gear change": (samples / "board-saw-gear-change.csv", (
            "setting: 50 Hz, gear low", "setting: 50 Hz, gear high", "ratio, gear high", "no cut is marked",
        )),
        "lost target": (samples / "saw-lost-target.csv", ("only 3 of 4 targets are seen", "keep clear of its path")),
    }  # fmt: skip


@pytest.mark.parametrize("kind", ["slips", "reset", "gear change", "lost target"])
def test_many_kinds_of_log(repository: Path, kind: str) -> None:
    path, expected = logs_of_many_kinds(repository)[kind]
    text = " ".join(paper_text(written([findings(read_log(path))], [path.name])))
    for words in (*HEADINGS, *expected):
        assert words in text, words


def test_a_target_that_flew_off_is_the_verdict(repository: Path) -> None:
    """Whatever else a run shows: somebody may stand beside the wheel when it is read."""
    first = verdict_section(findings(read_log(repository / "sample_logs/saw-lost-target.csv")), unit="m/min").blocks[0]
    assert isinstance(first, Words)
    assert first.weight == "verdict"
    assert first.text == (
        "Wheel: from 32.2 s on only 3 of 4 targets are seen in every turn: one may have fallen off (keep clear of its "
        "path); the speed allows for it."
    )


def test_one_channel_and_no_machine_beyond_the_wheel(one_log: PulseLog) -> None:
    run = findings(one_log)
    text = " ".join(paper_text(written([run], ["one.csv"])))
    for words in (
        "slip itself one channel cannot show", "baseline: none: slip needs two channels",
        "prediction no motor is described: no band of predicted speed", "blade no mark on it is watched",
        "setting: no marked setting", "it idles at", "nothing is predicted for it", "times as imported",
    ):  # fmt: skip
        assert words in text, words
    # a turn each 0.9 s: 60 pi 0.3 / 0.9 = 62.83 m/min
    assert "blade speed 62.8" in text
    assert len(run.idle_m_per_s) == 1


def test_too_short_for_anything(one_log: PulseLog) -> None:
    """Three pulses: every analysis says why it is left out, and there is a report."""
    (segment,) = one_log.segments
    few = segment.edge_ticks["wheel"][:3]
    short = dataclasses.replace(segment, edge_ticks={"wheel": few}, end_ticks=int(few[-1]))
    run = findings(dataclasses.replace(one_log, segments=(short,)))
    assert {"drift", "orders of wheel"} <= run.not_done.keys()
    none = dataclasses.replace(segment, edge_ticks={"wheel": few[:0]}, end_ticks=int(few[-1]))
    still = findings(dataclasses.replace(one_log, segments=(none,)))
    assert list(still.not_done) == ["slip", "drift", "orders of wheel"]
    text = " ".join(paper_text(written([still], ["still.csv"])))
    assert "No verdict on slip: no channel turned; there is no slip to look for." in text
    assert "blade speed none: neither wheel nor blade turned long enough" in text
    assert text.count("Not done") == 4  # cuts, slip, drift, orders
    assert "no pulses enough for a curve" in text


def test_losses_are_told(tmp_path: Path) -> None:
    path = tmp_path / "losses.csv"
    settings = {"duration_s": 60.0, "loss_at_s": 20.0, "loss_s": 3.0}
    simulate_log("steady", demo_machine("saw"), path, seed=2, settings=settings)
    run = findings(read_log(path))
    text = " ".join(paper_text(written([run], ["losses.csv"])))
    assert "pulses of wheel lost" in text
    assert any("in which pulses of a channel were lost" in what for of, what in left_out_rows(run) if of == "slip")
    assert run.slip is not None
    assert run.slip.events == ()
    start_s, end_s = next(re.finditer(r"pulses of motor lost (\d+\.\d+) (\d+\.\d+)", text)).groups()
    assert (float(start_s), float(end_s)) == pytest.approx((20.0, 23.0), abs=0.2)


def test_page_for_a_browser_needs_nothing_and_runs_nothing(lumpy_run: Findings) -> None:
    from base64 import b64decode
    from xml.etree import ElementTree

    page = Page(written([lumpy_run], ["lumpy.csv"]))
    assert page.tags <= {
        "html", "head", "meta", "title", "style", "body", "header", "main", "footer", "section", "h1", "h2", "h3", "p",
        "strong", "ul", "li", "dl", "dt", "dd", "div", "table", "thead", "tbody", "tr", "th", "td", "figure", "img",
        "figcaption",
    }  # fmt: skip
    drawings = [value for name, value in page.attributes if name == "src"]
    assert len(drawings) == 5  # speed, slip, drift, Allan deviation, orders of the wheel
    for drawing in drawings:
        head, _, body = drawing.partition(",")
        assert head == "data:image/svg+xml;base64"
        for element in ElementTree.fromstring(b64decode(body)).iter():
            links = [value for name, value in element.attrib.items() if name.rpartition("}")[2] in ("href", "src")]
            assert all(link.startswith("#") for link in links)
            assert element.tag.rpartition("}")[2] not in ("script", "image", "foreignObject")
    assert not {name for name, _ in page.attributes} & {"href", "srcset", "onload", "onclick", "action", "style"}
    assert all("url(" not in style and "@import" not in style for style in page.styles)
    assert ("content", "default-src 'none'; style-src 'unsafe-inline'; img-src data:") in page.attributes
    for words in HEADINGS:
        assert words in page.words


def test_what_came_from_outside_is_shown_and_does_nothing(one_log: PulseLog) -> None:
    nasty = "<script>alert('1')</script> & \"x\" \x1b[31m\x00 帯鋸 $x_{ </title><img src=http://a.example/b>\ufffe"
    (segment,) = one_log.segments
    marks = (*segment.marks, Mark(ticks=segment.start_ticks + 10, key="note", value=nasty))
    machine = dataclasses.replace(one_log.machine, name="Saw </title><b>&amp; 帯鋸 $x_{")
    log = dataclasses.replace(one_log, machine=machine, segments=(dataclasses.replace(segment, marks=marks),))
    report = written([findings(log)], [f"{nasty}.csv"])
    page = Page(report)
    assert "script" not in page.tags
    assert "b" not in page.tags
    assert "Saw </title><b>&amp; 帯鋸 $x_{" in page.words
    assert r"\x1b[31m\x00" in page.words
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f]", page.words)
    assert {value for name, value in page.attributes if name == "src" if not value.startswith("data:")} == set()
    assert "<script>alert('1')</script>" in " ".join(paper_text(report))


def test_same_input_gives_the_same_file(one_log: PulseLog) -> None:
    report = written([findings(one_log)], ["one.csv"])
    (about,), (chapter,) = report.chapters[0].sections[2:3], report.chapters
    small = dataclasses.replace(report, chapters=(dataclasses.replace(chapter, sections=(about,)),))
    assert about.title == "Speed"
    assert html_bytes(small) == html_bytes(small)
    assert paper_bytes(small, paper="a4") == paper_bytes(small, paper="a4")


def test_texts_keep_apart_however_long_they_are(
    lumpy_run: Findings, monkeypatch: pytest.MonkeyPatch, assert_apart: Apart
) -> None:
    figures: list[Figure] = []

    def catch(pages: Sequence[Figure], *_: object, **__: object) -> bytes:
        figures.extend(pages)
        assert_apart(list(pages))  # here, while the style is in force
        return b""

    monkeypatch.setattr(ink, "drawn", catch)
    machine = dataclasses.replace(lumpy_run.log.machine, name="W" * 80)
    log = dataclasses.replace(lumpy_run.log, machine=machine)
    report = written([dataclasses.replace(lumpy_run, log=log)], ["W" * 120 + ".csv"])
    paper_bytes(report, paper="letter")
    assert len(figures) > 3


def test_before_and_after(repository: Path, run: Callable[..., Any]) -> None:
    paths = [repository / "sample_logs" / name for name in ("saw-two-cuts.csv", "saw-belt-slip.csv")]
    runs = [findings(read_log(path)) for path in paths]
    names = log_names(paths)
    report = written(runs, names)
    text = paper_text(report)
    whole = " ".join(text)
    for words in (
        "Blade drive report: before and after", "before saw-two-cuts.csv", "after saw-belt-slip.csv",
        "What has changed", "nothing has surely changed", "Cuts are not compared here",
        "Verdict on saw-two-cuts.csv (2025-01-06)",
        "Healthy: the watched belts",
        "Verdict on saw-belt-slip.csv (2025-01-06)", "A belt slips more than it creeps",
        "comparison Steady idle running",
    ):  # fmt: skip
        assert words in whole, words
    assert all("saw-two-cuts.csv (2025-01-06), saw-belt-slip.csv (2025-01-06)" in page for page in text)
    compared = changes_between(runs, names=names)
    assert_told([row.difference_percent for each in compared.comparisons for row in each.rows], whole)
    assert len(compared.comparisons[0].rows) == 2
    assert compared.wears == ()  # two runs are a comparison


def test_a_pulley_swap_is_told_in_words(tmp_path: Path) -> None:
    """The real pulley is 2 % larger after: so much more speed at the same hertz."""
    runs = []
    for place, error in enumerate((0.0, 0.02, 0.02)):
        path = tmp_path / f"run{place}.csv"
        simulate_log("steady", demo_machine("saw"), path, seed=place, settings={"pitch_error": error, "hz_error": 0.0})
        log = read_log(path)
        runs.append(findings(dataclasses.replace(log, start_utc=log.start_utc + timedelta(days=30 * place))))
    report = written(runs, ["a.csv", "b.csv", "c.csv"], unit="ft/min")
    text = content(report)
    sure = re.search(r"turns of wheel per turn of the motor: (\S+) ± (\S+) % more in b.csv than before", text)
    assert sure is not None
    assert float(sure[1]) == pytest.approx(2.0, abs=0.02)  # the description says nothing of the swap
    assert "From date to date" in text
    assert "Blade drive report: 3 runs" in text
    assert re.search(r"blade, a.csv \S+ ± \S+ ft/min", text)


def test_speed_outside_the_band_is_no_healthy_machine(lumpy_run: Findings) -> None:
    """Saw at 50 Hz, low gear: by hand 25.989 m/min at no load; 23.8 to 26.3 is where it should be found."""
    (setting,) = lumpy_run.idle_m_per_s
    for m_per_min, place in ((25.9, "within"), (26.35, "at the edge of"), (23.0, "below"), (27.0, "above")):
        off = dataclasses.replace(lumpy_run, idle_m_per_s={setting: Estimate(value=m_per_min / 60, u95=0.002)})
        assert idle_against_band(off, setting, unit="m/min")[0] == place
        texts = [block.text for block in verdict_section(off, unit="m/min").blocks if isinstance(block, Words)]
        outside = place in ("below", "above")
        assert any("outside the band that the description predicts" in text for text in texts) == outside


def test_a_sensor_that_counts_badly_is_told_beside_the_verdict(lumpy_run: Findings) -> None:
    assert lumpy_run.speed is not None
    wheel = lumpy_run.speed.channels["wheel"]
    for extra, said in ((39, False), (40, True)):  # a tenth of 392 pulses
        channels = {**lumpy_run.speed.channels, "wheel": dataclasses.replace(wheel, stray=extra)}
        off = dataclasses.replace(lumpy_run, speed=dataclasses.replace(lumpy_run.speed, channels=channels))
        text = " ".join(block.text for block in verdict_section(off, unit="m/min").blocks if isinstance(block, Words))
        assert ("The wheel sensor counts badly: 40 of 392 pulses" in text) == said


def held(log: PulseLog, *, date: datetime) -> Known:
    from kerfbeat.calibration.parts import belongs_to

    result = Result(
        quantity="wheel diameter", of="", value=(0.3312,), u=(0.0001,), unit="m", date=date, sources=("passes.csv",),
        conditions={}, belongs_to=belongs_to(log.machine, "wheel diameter"),
    )  # fmt: skip
    return known(Calibration(machine=log.machine.name, results=(result,)), log.machine)


def test_calibration_in_use_and_its_age(lumpy: PulseLog, lumpy_run: Findings) -> None:
    for days, age in ((31, "31 days"), (1, "1 day"), (-2, "found after the run")):
        in_use = held(lumpy, date=lumpy.start_utc - timedelta(days=days))
        rows = {row[0]: row[1:] for row in calibration_rows(dataclasses.replace(lumpy_run, known=in_use))}
        # 1.96 u = 0.196 mm
        date = f"{lumpy.start_utc - timedelta(days=days):%Y-%m-%d}"
        assert rows["wheel diameter"] == ("331.20 ± 0.20 mm", date, age, "passes.csv")
        assert rows["targets of the wheel"][0] == "found in this run itself"
        assert rows["ratio, gear low"][0] == "not measured; as described"
        assert rows["clock of board 51A70000"][1:3] == ("2025-01-06", "this run")


def test_one_report_is_of_one_machine(lumpy: PulseLog, one_log: PulseLog) -> None:
    require_one_machine_name([lumpy, lumpy])
    with pytest.raises(LogError, match=r"one\.csv: was recorded at \"Wheel\" and .*lumpy\.csv at \"Shared-workshop"):
        require_one_machine_name([lumpy, one_log])


def test_names_of_logs_leave_their_folders_out_unless_they_are_needed() -> None:
    assert log_names([Path("a/x.csv"), Path("b/y.csv")]) == ["x.csv", "y.csv"]
    assert log_names([Path("a/x.csv"), Path("b/x.csv")]) == [str(Path("a/x.csv")), str(Path("b/x.csv"))]


def test_text_is_broken_at_spaces_and_loses_nothing() -> None:
    text = "A healthy belt creeps in proportion to its load, " * 3 + "x" * 90
    lines = ink.wrapped(text, width_mm=50.0, size_pt=8.5)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert max(ink.written_mm(line, size_pt=8.5) for line in lines) <= 50.0
    assert len(lines) > 5
    assert ink.wrapped("", width_mm=50.0, size_pt=8.5) == [""]


def test_machine_is_told_as_it_was_described() -> None:
    """Demo machines' files, read by eye."""
    saw = dict(machine_facts(demo_machine("saw"), [Setting(hz=50.0, gear="low"), Setting(hz=50.0, gear="high")]))
    assert saw == {
        "motor": "4 poles, 1430 rpm at 50 Hz and full load, 1.5 kW",
        "inverter": "20 to 80 Hz",
        "first belt": "belt, 80.0 mm (3.15 in) drives 160.0 mm (6.30 in) (pitch diameters)",
        "gearbox": "30 to 1 in gear low; 13 to 1 in gear high",
        "wheel": "diameter 330.0 mm (12.99 in), blade 0.9 mm thick, blade 2750.0 mm (108.27 in) long",
        "sensors": "wheel (4 a turn), motor (1 a turn), blade (1 a turn)",
    }
    unmarked = dict(machine_facts(demo_machine("saw"), [Setting()]))
    assert unmarked["gearbox"] == "not known: the setting is not marked"
    assert unmarked["first belt"] == saw["first belt"]
    grinder = dict(machine_facts(demo_machine("grinder"), [Setting(belt="slow / 2.2 in")]))
    assert grinder["step pulleys"].startswith("belt, 2.60 in (66.0 mm) drives 5.20 in (132.1 mm)")


def test_nothing_is_said_to_lie_before_a_shaft_where_nothing_was_found(repository: Path) -> None:
    words = findings(read_log(repository / "sample_logs" / "board-grinder-reset.csv")).slip.verdict.words  # type: ignore[union-attr]
    assert words == "9 s of unbroken running are too short to judge anything by."


def test_a_heading_s_unit_does_not_stand_alone() -> None:
    assert [heading(text).split(" ") for text in ("from s", "blade slip %", "back after s", "what")] == [
        ["from\u00a0s"], ["blade", "slip\u00a0%"], ["back", "after\u00a0s"], ["what"]
    ]  # fmt: skip
    narrow = ink.wrapped(heading("back after s"), width_mm=1.1 * ink.written_mm("after s", size_pt=8.5), size_pt=8.5)
    assert narrow == ["back", "after\u00a0s"]


def test_columns_give_way_where_they_hold_words() -> None:
    words = "words that may be broken " * 6
    grid = Grid(headings=("what", "how much"), rows=((words, "123.456 ± 0.012"),))
    wide = column_widths_mm(grid, 400.0, size_pt=8.5, gap_mm=3.5)
    narrow = column_widths_mm(grid, 90.0, size_pt=8.5, gap_mm=3.5)
    assert sum(narrow) <= 90.0 - 3.5 + 1e-6
    assert narrow[1] >= ink.written_mm("123.456 ± 0.012", size_pt=8.5)
    assert wide[0] >= ink.written_mm(words, size_pt=8.5) > narrow[0]
    assert column_widths_mm(grid, 30.0, size_pt=8.5, gap_mm=3.5) == []
