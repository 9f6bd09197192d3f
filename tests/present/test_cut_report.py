"""Does the cut table say what was found, and nothing where nothing was?  Expected cells are written by hand."""

from kerfbeat.diagnose.cut_speed import Recovery
from kerfbeat.diagnose.cuts import Cut, CutReport, Figures, SlipInCut
from kerfbeat.machine import Setting
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present.cut_report import CUT_HEADINGS, cut_lines, cut_rows, cuts_document, overall_document

NOTHING = Figures(
    drop_percent=None, deepest_percent=None, slips=(), motor_slip_percent=None, load=None, judged_s=0.0
)


def figures(drop, belt):
    return Figures(
        drop_percent=Estimate(value=drop, u95=0.04),
        deepest_percent=Estimate(value=drop + 1, u95=0.05),
        slips=(
            SlipInCut(
                up="motor",
                down="wheel",
                percent=Estimate(value=belt, u95=0.03),
                maximum_percent=Estimate(value=2 * belt, u95=0.1),
                creep_percent=0.4,
            ),
        ),
        motor_slip_percent=Estimate(value=2.4, u95=0.4),
        load=Estimate(value=0.5, u95=0.12),
        judged_s=26.0,
    )


def cut(number, start_s, end_s, *, of=NOTHING, recovery, slipped=(), left_out=()):
    return Cut(
        number=number,
        start_s=start_s,
        end_s=end_s,
        settings=(Setting(hz=50.0, gear="low"),),
        figures=of,
        recovery=recovery,
        slipped=slipped,
        left_out=left_out,
    )


BACK = Recovery(state="recovered", seconds=Estimate(value=0.6, u95=0.4), band_percent=0.15, watched_s=9.0)
STAYED = Recovery(state="not recovered", seconds=None, band_percent=0.15, watched_s=9.04)
UNSEEN = Recovery(state="not seen", seconds=None, band_percent=None, watched_s=0.0)
REPORT = CutReport(
    channel="wheel",
    marked=True,
    cuts=(
        cut(1, 10.0, 40.0, of=figures(2.5, 0.41), recovery=BACK),
        cut(2, 50.0, 60.0, of=figures(6.0, 4.2), recovery=STAYED, slipped=("belt slip",)),
        cut(3, 70.0, 70.4, recovery=UNSEEN, left_out=("too short: no two pulses lie inside it",)),
    ),
    overall=figures(3.4, 1.4),
    cutting_s=40.4,
    observed_s=90.0,
    notes=("a note",),
)


def test_rows_by_hand():
    rows = cut_rows(REPORT)
    assert rows[0] == ["1", "10.0", "40.0", "2.50 ± 0.04", "3.50", "0.41 ± 0.03", "-", "2.4 ± 0.4", "0.50 ± 0.12",
                       "0.6 ± 0.4"]  # fmt: skip
    assert rows[1][-1] == "not in 9.0"
    assert rows[2] == ["3", "70.0", "70.4", "-", "-", "-", "-", "-", "-", "not seen"]
    assert rows[3][:3] == ["all", "", "40.4 s"]
    assert {len(row) for row in rows} == {len(CUT_HEADINGS)}


def test_lines_explain_band_and_what_did_not_recover():
    lines = "\n".join(cut_lines(REPORT))
    assert "within ±0.15 % of it" in lines
    assert "not recovered after 1 cut (2)" in lines
    assert "cut 2: a belt slipped beyond its creep" in lines
    assert "cut 3, left out: too short" in lines
    assert lines.endswith("a note")


def test_a_log_without_marks():
    bare = CutReport(
        channel="wheel", marked=False, cuts=(), overall=NOTHING, cutting_s=0.0, observed_s=90.0,
        notes=("no cut is marked",),
    )  # fmt: skip
    assert cut_rows(bare) == [["log", "", "90.0 s", "-", "-", "-", "-", "-", "-", ""]]
    assert cut_lines(bare) == ["no cut is marked"]
    assert cuts_document(bare) == []
    assert overall_document(bare)["marked"] is False
