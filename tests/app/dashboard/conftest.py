"""Qt without a screen, in the style that the program sets."""

import pytest
from PySide6.QtWidgets import QApplication


@pytest.fixture(scope="session")
def qapp(qapp):
    QApplication.setStyle("Fusion")
    return qapp
