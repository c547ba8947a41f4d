"""Cycles end in the thread that asks for it, and in no other that happens to make objects."""

import gc
import threading

from app.dashboard.cycles import collect_due, collected_here


class Holder:
    """In a cycle with itself; notes in which thread it ends."""

    def __init__(self, ended_in):
        self.ended_in = ended_in
        self.me = self

    def __del__(self):
        self.ended_in.append(threading.get_ident())


def made_elsewhere():
    """Let another thread make more objects than the interpreter's threshold."""
    made = []
    most = gc.get_threshold()[0]
    thread = threading.Thread(target=lambda: made.extend([] for _ in range(2 * most)))
    thread.start()
    thread.join()
    return made


def test_what_another_thread_makes_ends_nothing_there():
    ended_in = []
    was_on = gc.isenabled()
    gc.enable()
    try:
        with collected_here():
            Holder(ended_in)
            made = made_elsewhere()
            assert ended_in == []
            collect_due()
            assert ended_in == [threading.get_ident()]
            assert made
        assert gc.isenabled()
        assert gc.get_freeze_count() == 0
    finally:
        (gc.enable if was_on else gc.disable)()


def test_the_interpreter_is_left_to_do_what_it_does():
    ended_in = []
    was_on = gc.isenabled()
    gc.enable()
    try:
        gc.collect()
        Holder(ended_in)
        collect_due()
        assert ended_in == []
    finally:
        (gc.enable if was_on else gc.disable)()
    gc.collect()


def test_it_is_left_off_where_it_was_off():
    was_on = gc.isenabled()
    gc.disable()
    try:
        with collected_here():
            pass
        assert not gc.isenabled()
    finally:
        (gc.enable if was_on else gc.disable)()
