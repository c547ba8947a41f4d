"""A whole job in the window with a pointer; keys are pressed where words are asked for alone."""

import pytest

from tests.integration.technician import JOB_WITHIN_S, ByPointer, hold_a_whole_job

pytestmark = [pytest.mark.real_time, pytest.mark.slow, pytest.mark.xdist_group("window")]


@pytest.mark.timeout(JOB_WITHIN_S + 120.0)
@pytest.mark.parametrize(("plan", "managed"), [("Full", True), ("Adjust only", False)])
def test_a_whole_job_is_done_with_a_pointer(tmp_path, plan, managed):
    hold_a_whole_job(tmp_path, plan, ByPointer, managed=managed)
