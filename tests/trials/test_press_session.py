# SPDX-License-Identifier: Apache-2.0
import numpy as np
import pytest

pytest.importorskip('mcap')
pytest.importorskip('rosbags')

from tactile_nodes.calibration.indentations import read_indentations
from tactile_nodes.errors import FileError
from tactile_nodes.files.elastomer import read_elastomer
from tactile_nodes.trials.bag import read_messages
from tactile_nodes.trials.press_session import BALLS, FRAME_RATE, IMAGES, WRENCH, session, write
from tactile_nodes.trials.run import six
from tactile_nodes.virtual.optics import optics_of

SERIAL = 'VF-5'


@pytest.fixture(scope='module')
def elastomer(request):
    return read_elastomer(request.config.rootpath / 'config' / 'elastomers' / 'soft_marked.yaml')


def test_a_session_goes_all_over_the_image_and_the_range():
    geometry = optics_of(SERIAL).geometry(320, 240)
    scenarios, indentations = session(20, geometry)
    assert [s.indenter.radius for s in scenarios] == [radius for radius, *_ in BALLS]
    for scenario, (_, hardest, reach) in zip(scenarios, BALLS, strict=True):
        loads = [step.force for step in scenario.steps if step.phase == 'press']
        assert len(loads) == 20 and max(loads) == pytest.approx(hardest)
        assert np.median(loads) < 0.4 * hardest          # many are gentle
        at = np.cumsum([step.drag for step in scenario.steps], axis=0)
        held = at[[step.phase == 'press' for step in scenario.steps]]
        image = np.array([320, 240]) * geometry.metres_per_px
        assert (np.ptp(held, axis=0) > 0.8 * reach * image).all()
    assert 0 < indentations[0].start_s < indentations[-1].end_s < sum(s.seconds for s in scenarios)


def test_what_is_written_is_true(elastomer, tmp_path):
    """The reference shows no load at first, and a steady press without shear in the table."""
    write(tmp_path, elastomer, SERIAL, presses=1)
    bag = tmp_path / 'bag'
    images = [stamp for _, stamp, _ in read_messages(bag, [IMAGES])]
    rows = [(stamp, six(message)) for _, stamp, message in read_messages(bag, [WRENCH])]
    assert images == [stamp for stamp, _ in rows]
    time = (np.array(images) - images[0]) * 1e-9
    wrench = np.array([values for _, values in rows])
    assert np.diff(time) == pytest.approx(1 / FRAME_RATE)
    assert not wrench[time < 1.2].any()
    table = read_indentations(tmp_path / 'indentations.csv')
    assert [press.radius for press in table] == [radius for radius, *_ in BALLS[:2]]
    for press, (_, hardest, _) in zip(table, BALLS, strict=False):
        held = wrench[(time >= press.start_s) & (time <= press.end_s)]
        assert len(held) >= 3
        assert -held[:, 2] == pytest.approx(0.1 * hardest)
        assert np.abs(held[:, :2]).max() < 0.02 * hardest
    with pytest.raises(FileError, match='exists already'):
        write(tmp_path, elastomer, SERIAL, presses=1)
