"""Logbooks whose file is damaged: every command says so in words, and what it says was mended is sound."""

from __future__ import annotations

import random
import shutil
import sys
from collections import Counter

import pytest

from tests.bench.fuzz_damage import HARMS, INTERVAL_S, wrong_with
from tests.bench.kills import DATABASE, held

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="processes are begun by forking")


@pytest.fixture(scope="module")
def start(tmp_path_factory):
    folder = tmp_path_factory.mktemp("start")
    held(folder, INTERVAL_S)
    return folder


@pytest.mark.parametrize("harm", dict.fromkeys(HARMS), ids=lambda harm: harm.__name__)
def test_no_command_meets_damage_with_a_fault_of_the_program(start, tmp_path, harm):
    """A few of what `python -m tests.bench fuzz damage` tries by the hundred."""
    copy, codes = tmp_path / "copy", Counter()
    shutil.copytree(start, copy)
    harm(copy / DATABASE, random.Random(harm.__name__))

    assert list(wrong_with(copy, codes)) == []
    assert len(codes) > 1
