"""The second process of a first run: it goes through the last stages, and ends with the run."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

import pytest

from stackkit import first_run
from stackkit.first_run import NOTICE, compile_last_stages, compiling_ahead
from stackkit.integration.resample import add_frame
from stackkit.jit import is_compiled, jit


class Helper:
    """Stands for a process."""

    started: ClassVar[list[Helper]] = []

    def __init__(self, command, **_):
        self.command, self.ended = command, False
        Helper.started.append(self)

    def kill(self):
        self.ended = True

    def wait(self):
        assert self.ended


@pytest.fixture
def helpers(monkeypatch):
    monkeypatch.setattr(Helper, "started", [])
    monkeypatch.setattr(first_run.subprocess, "Popen", Helper)
    monkeypatch.setattr(first_run, "usual", lambda: 4)
    return Helper.started


def test_the_last_stages_run_with_what_is_made_up(tmp_path):
    compile_last_stages(tmp_path)
    assert is_compiled(add_frame)


def test_a_loop_that_was_never_called_is_not_compiled():
    assert not is_compiled(jit(lambda x: x + 1))


def test_nothing_is_told_or_started_later(helpers):
    told = []
    with compiling_ahead(None, told.append):
        pass
    assert (told, helpers) == ([], [])


@pytest.mark.parametrize("fails", [False, True])
def test_the_first_time_it_is_told_and_a_helper_ends_with_the_run(helpers, monkeypatch, fails):
    monkeypatch.setattr(first_run, "is_compiled", lambda _loop: False)
    told = []
    try:
        with compiling_ahead(2, told.append):
            (helper,) = helpers
            *command, folder = helper.command[1:]
            assert command == ["-m", "stackkit.first_run"]
            assert Path(folder).is_dir()
            assert not helper.ended
            if fails:
                raise ValueError
    except ValueError:
        pass
    assert told == [NOTICE]
    assert helper.ended
    assert not Path(folder).exists()


def test_one_job_has_no_helper(helpers, monkeypatch):
    monkeypatch.setattr(first_run, "is_compiled", lambda _loop: False)
    told = []
    with compiling_ahead(1, told.append):
        pass
    assert (told, helpers) == ([NOTICE], [])
