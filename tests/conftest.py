"""What every test finds as it would at a terminal."""

import signal


def pytest_configure() -> None:
    """Heed Ctrl-C: a shell starts its background jobs with it ignored, and the program would keep to that."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
