"""What breaks at run time. A bad carton is none of these: that is a value, not an exception."""


class RunFault(Exception):  # noqa: N818 - the trade says fault
    """Something broke while running; the text says what and where."""


class DeviceFault(RunFault):
    """A camera or another device failed."""


class StepFault(RunFault):
    """A step raised."""


class StoreFault(RunFault):
    """A record could not be kept."""
