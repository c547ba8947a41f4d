"""A whole job in the window by somebody who does not look: keys, and what is said of it."""

import pytest

from tests.integration.technician import JOB_WITHIN_S, ByKeys, hold_a_whole_job

pytestmark = [pytest.mark.real_time, pytest.mark.slow, pytest.mark.xdist_group("window")]


@pytest.mark.timeout(JOB_WITHIN_S + 120.0)
@pytest.mark.parametrize(("plan", "managed"), [("Adjust only", True), ("Full", False)])
def test_a_whole_job_is_done_by_what_is_said_alone(tmp_path, plan, managed):
    hold_a_whole_job(tmp_path, plan, ByKeys, managed=managed)
