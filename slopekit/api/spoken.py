"""The sentences of errors speak of options; here, of the arguments that the library has in their place."""

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import wraps
from typing import ParamSpec, TypeVar

from slopekit.errors import InputError
from slopekit.paths import HELD
from slopekit.schema.inputs import INPUTS

Given = ParamSpec("Given")
Answer = TypeVar("Answer")

# Where the name is not the option's with _ for -, and what the option alone says is a value.
_ARGUMENTS = {
    "z-rmse": "z_rmse_m",
    "parcel": "parcels",
    "gap": "gap_m",
    "roll-bar": "roll_bar_m",
    "cell": "cell_m",
    "prescreen": "prescreen=True",
    "overwrite": "overwrite=True",
    "resume": "resume=True",
    "only-failed": "only_failed=True",
    "time-limit": "time_limit_s",
    "memory-limit": "memory_limit_mb",
    "no-remote": "SLOPEKIT_NO_REMOTE",
    "most": "most_bytes",
    "column": "columns",
    "allow-private": "allow_private=True",
    "trust-index-error": "trust_index_error=True",
}
_KEPT = (
    "survey-date",
    "parcels",
    "fleet",
    "season",
    "surface",
    "z-unit",
    "workers",
    "out",
    "rank",
    "area",
    "cache",
    "layer",
    "asset",
    "only",
    "points",
    "crs",
    "classes",
    "around",
)
OPTIONS = (*_ARGUMENTS, *_KEPT, *INPUTS)
_OPTION = re.compile(rf"(?<![\w/\\.-])(path after )?--({'|'.join(OPTIONS)})(?![\w-])")
# What was given in memory has no name that the caller knows.
_FOLDER = re.compile(rf"[^\s'\"]*{HELD}\w+[/\\]")


def in_python(sentence: str) -> str:
    """A sentence with arguments for options, and without the folders of what was given in memory."""
    told = _OPTION.sub(
        lambda m: ("path given as " if m[1] else "") + _ARGUMENTS.get(m[2], m[2].replace("-", "_")), sentence
    )
    return _FOLDER.sub("", told)


_of_options: ContextVar[bool] = ContextVar("of_options", default=False)


@contextmanager
def options_spoken() -> Iterator[None]:
    """Errors keep the names of options meanwhile."""
    before = _of_options.set(True)
    try:
        yield
    finally:
        _of_options.reset(before)


def speaks_python(act: Callable[Given, Answer]) -> Callable[Given, Answer]:
    """The function, whose errors name arguments."""

    @wraps(act)
    def spoken(*args: Given.args, **kwargs: Given.kwargs) -> Answer:
        try:
            return act(*args, **kwargs)
        except InputError as error:
            if _of_options.get():
                raise
            raise type(error)(in_python(str(error))) from error

    return spoken
