# SPDX-License-Identifier: Apache-2.0
import os
import time

import numpy as np
import pytest

from tactile_nodes.core.reference import Reference
from tactile_nodes.files import kept_reference
from tactile_nodes.files.kept_reference import KeptReference

REFERENCE = Reference(np.full((24, 32, 3), 9000, np.uint16), np.full((24, 32, 3), 300, np.uint16),
                      30)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv('XDG_RUNTIME_DIR', str(tmp_path))
    return tmp_path / f'tactile_nodes_{os.getuid()}'


def test_what_is_kept_is_found_by_its_owner_alone(folder):
    KeptReference('thumb').keep(REFERENCE)
    found = KeptReference('thumb').find()
    np.testing.assert_array_equal(found.mean_q8, REFERENCE.mean_q8)
    np.testing.assert_array_equal(found.noise_q8, REFERENCE.noise_q8)
    assert found.frames == 30
    assert KeptReference('index').find() is None
    KeptReference('thumb').forget()
    assert KeptReference('thumb').find() is None
    assert list(folder.iterdir()) == []


def test_it_is_fresh_only_while_it_is_in_use_whatever_the_clock_says(folder, monkeypatch):
    kept, real = KeptReference('thumb'), time.monotonic_ns
    kept.keep(REFERENCE)
    monkeypatch.setattr('time.time', lambda: 0.0)
    later = int((kept_reference.FRESH + 1) * 1e9)
    for ahead, found in ((0, True), (later, False), (-later, False)):
        monkeypatch.setattr('time.monotonic_ns', lambda ahead=ahead: real() + ahead)
        assert (kept.find() is not None) == found
    monkeypatch.setattr('time.monotonic_ns', lambda: real() + later)
    kept.refresh()
    assert kept.find() is not None


@pytest.mark.parametrize('content', [
    b'', b'PK', b'\x80\x04\x8c\x02os\x94', b'no archive'])
def test_a_damaged_file_is_none(folder, content):
    kept = KeptReference('thumb')
    kept.keep(REFERENCE)
    file, = folder.iterdir()
    file.write_bytes(content)
    kept.refresh()
    assert kept.find() is None


def test_an_object_in_the_file_is_not_unpickled(folder):
    kept = KeptReference('thumb')
    kept.keep(REFERENCE)
    file, = folder.iterdir()
    with file.open('wb') as stream:
        np.savez(stream, mean=np.array([object()]), noise=REFERENCE.noise_q8, frames=30)
    kept.refresh()
    assert kept.find() is None


def test_a_folder_that_others_may_write_to_is_not_used(folder):
    folder.mkdir()
    folder.chmod(0o777)
    kept = KeptReference('thumb')
    kept.keep(REFERENCE)
    assert list(folder.iterdir()) == [] and kept.find() is None


def test_no_place_to_keep_it_is_no_error(tmp_path, monkeypatch):
    monkeypatch.setenv('XDG_RUNTIME_DIR', str(tmp_path / 'none'))
    kept = KeptReference('thumb')
    kept.keep(REFERENCE)
    kept.refresh()
    kept.forget()
    assert kept.find() is None
