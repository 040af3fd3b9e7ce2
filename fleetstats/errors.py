"""The error tree: one root, one class a room.

    FleetstatsError
    ├── SettingsError     settings file: unknown key, wrong type, value out of range
    ├── IntakeError       a file or an import map that cannot be read at all
    ├── StoreError        the DuckDB file: locked, damaged, of another schema, no records yet
    ├── LifeError         lifetimes that cannot be, a fit that has no answer      (also a ValueError)
    ├── AdviceError       costs or limits that cannot be                          (also a ValueError)
    ├── StockError        renewals or demand asked for what cannot be             (also a ValueError)
    ├── TrustError        forecasts and outcomes that do not belong together      (also a ValueError)
    ├── ReportError       a page that cannot be written
    └── OutputError       a file or folder that cannot be written, or holds what is not the tool's to replace

Every message says where, what was found, what is accepted, and what to do next.
"""


class FleetstatsError(Exception):
    """Root of all errors that a person can mend; the command line prints it without a traceback."""


class SettingsError(FleetstatsError):
    """The settings file holds a key or a value that is not accepted."""


class IntakeError(FleetstatsError):
    """A file of records, or an import map, cannot be read at all."""


class StoreError(FleetstatsError):
    """The store cannot be opened, read or written, or holds no records yet."""


class LifeError(FleetstatsError, ValueError):
    """Lifetimes contradict themselves, or a model has no answer for them."""


class AdviceError(FleetstatsError, ValueError):
    """A cost, an age or a limit is not one that the advice can work with."""


class StockError(FleetstatsError, ValueError):
    """A renewal function or a stock forecast was asked for what cannot be."""


class TrustError(FleetstatsError, ValueError):
    """Forecasts and outcomes do not belong together, or a chance is none."""


class ReportError(FleetstatsError):
    """The report cannot be written."""


class OutputError(FleetstatsError):
    """A file or a folder cannot be written, or what lies there is not the tool's to replace."""
