# SPDX-License-Identifier: Apache-2.0
import numpy as np
import pytest

from tactile_nodes.calibration.indentations import read_indentations
from tactile_nodes.files.elastomer import read_elastomer
from tactile_nodes.virtual.press_session import DEPTH, FRAME_RATE, RADIUS, PressSession


@pytest.fixture(scope='module')
def session(request):
    return PressSession(read_elastomer(request.config.rootpath / 'config' / 'elastomers'
                                       / 'soft_marked.yaml'), 'VF-5', width=160, height=120)


def test_the_table_tells_the_truth(session, tmp_path):
    frames = list(session.frames())
    assert [frame.sequence for frame in frames] == list(range(len(frames)))
    assert not any(frame.truth.in_contact for frame in frames[:30])
    pressed = np.zeros(len(frames), bool)
    for press in session.indentations:
        first, last = (round(t * FRAME_RATE) for t in (press.start_s, press.end_s))
        assert last - first + 1 >= 5
        pressed[first:last + 1] = True
        x, y, depth = frames[first].truth.centroid
        assert np.hypot(x - press.x, y - press.y) < 30e-6
        assert depth == pytest.approx(DEPTH, rel=0.02)
    np.testing.assert_array_equal(pressed, [frame.truth.in_contact for frame in frames])
    session.write(tmp_path)
    assert len(list((tmp_path / 'images').iterdir())) == len(frames)
    table = read_indentations(tmp_path / 'indentations.csv')
    assert len(table) == len(session.indentations) and table[0].radius == pytest.approx(RADIUS)
