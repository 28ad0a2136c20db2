"""The one error hierarchy. The command line turns `InputError` into one sentence and exit code 2."""


class SlopekitError(Exception):
    """Base of every error that slopekit raises on purpose."""


class InputError(SlopekitError):
    """The caller's input cannot be used. The message is one sentence that names the file, the value and the fix."""


class OutputError(InputError):
    """The result cannot be written where the caller asked (full disk, read-only folder). Nothing is half-written."""
