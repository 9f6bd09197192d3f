"""Does the drawing of orders show as a peak only what may be one?"""

import numpy as np
import pytest
from matplotlib.axes import Axes

from kerfbeat.diagnose.orders import Orders, orders_of
from kerfbeat.machine import demo_machine
from kerfbeat.present import ink
from kerfbeat.present.orders_plot import draw_orders, orders_notes
from kerfbeat.simulate import simulate_log


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Orders:
    """Ten quiet minutes of a wheel whose four targets sit unevenly: its whole orders are large, and no wave at all."""
    from kerfbeat.capture.log import read_log

    path = tmp_path_factory.mktemp("orders") / "steady.csv"
    simulate_log("steady", demo_machine("saw"), path, seed=3, settings={"duration_s": 600.0})
    return orders_of(read_log(path), channel="wheel")


def test_what_taking_out_the_spacing_leaves_is_not_drawn(found: Orders) -> None:
    assert found.undecided
    assert not found.since_calibration
    with ink.page(200.0, 130.0) as figure:
        axes: Axes = figure.add_axes((0.1, 0.1, 0.8, 0.8))
        draw_orders(axes, found)
        curve = next(line for line in axes.get_lines() if len(line.get_xdata()) > 2)
        orders, height = np.asarray(curve.get_xdata()), np.asarray(curve.get_ydata())
        threshold = np.interp(orders, found.spectrum.orders, found.spectrum.threshold_turns) * 200 * np.pi * orders
        figure.canvas.draw()
        ticks = [label.get_text() for label in axes.get_yticklabels()]
    assert np.isnan(height[np.abs(orders - 1.0) < found.spectrum.resolution]).all()
    assert np.nanmax(height / threshold) < 1.0  # as no peak is named, none is drawn
    assert ticks
    assert not any("e" in tick for tick in ticks)
    assert "whole orders" in orders_notes(found)
