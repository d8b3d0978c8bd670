"""Offline safety auditor for programme material: what reaches the high-frequency driver, and is it safe?

>>> from auditor import audit, load_rig
>>> audit("track.flac", load_rig("rig.toml")).margin_db  # doctest: +SKIP
3.2
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from auditor.audit_types import Audit, SetAudit
    from auditor.errors import AuditorError, ProgrammeError, RigError
    from auditor.pipeline import audit, audit_set
    from auditor.rig import Rig, load_rig

__version__ = "0.1.0"

# Names resolve on first use: the numerical libraries take half a second, which `auditor --help` must not pay.
_HOMES = {
    "Audit": "auditor.audit_types",
    "AuditorError": "auditor.errors",
    "ProgrammeError": "auditor.errors",
    "Rig": "auditor.rig",
    "RigError": "auditor.errors",
    "SetAudit": "auditor.audit_types",
    "audit": "auditor.pipeline",
    "audit_set": "auditor.pipeline",
    "load_rig": "auditor.rig",
}

__all__ = [
    "Audit",
    "AuditorError",
    "ProgrammeError",
    "Rig",
    "RigError",
    "SetAudit",
    "__version__",
    "audit",
    "audit_set",
    "load_rig",
]


def __getattr__(name: str) -> Any:
    from importlib import import_module

    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
