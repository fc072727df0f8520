"""Distribution functions of `scipy.special`, loaded when one is first called.

Its import takes 0.15 s and more, a third of what reading a campaign takes: a command whose tests
call for no quantile does not wait for it. Arguments and results are scipy's.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["betainc", "chdtr", "chdtrc", "fdtrc", "gammaln", "stdtr", "stdtrit"]


def _at_first_call(name: str) -> Callable[..., Any]:
    def call(*arguments: Any) -> Any:
        return getattr(import_module("scipy.special"), name)(*arguments)

    call.__name__ = name
    call.__doc__ = f"`scipy.special.{name}`."
    return call


betainc = _at_first_call("betainc")
chdtr = _at_first_call("chdtr")
chdtrc = _at_first_call("chdtrc")
fdtrc = _at_first_call("fdtrc")
gammaln = _at_first_call("gammaln")
stdtr = _at_first_call("stdtr")
stdtrit = _at_first_call("stdtrit")
