"""What the pages share on which test tones are played for a minute."""

from threading import Event

from tests.app.dashboard.fakes import view
from tests.app.dashboard.test_job import MeasuringSession


class ListeningSession(MeasuringSession):
    """A session over an input; what is found of it is `finds`, one by one."""

    def __init__(self, *finds):
        super().__init__()
        self.finds = list(finds)
        self.may_end = Event()
        self.may_end.set()
        self.recheck_words = ""

    def listen(self, *asked, tell):
        """Remember what was asked, and return the work."""
        self.calls.append(asked)
        tell("plays 1.56 % of full scale")

        def work():
            assert self.may_end.wait(60)
            return self.finds.pop(0)

        return work

    def reopen(self):
        self.calls.append(("reopen",))
        self.now = view(0.02)


def player(name, rate_hz):
    raise AssertionError("nothing is opened here")


def until_done(qtbot, window, page):
    """Let the window go on until the page has taken what was found."""

    def looked():
        window.tick()
        assert page._work is None

    qtbot.waitUntil(looked)
