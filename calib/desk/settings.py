"""Settings as the pages say them: a label in words, and a value with its unit."""


def label(name: str) -> str:
    """Return a setting in words."""
    from calib.apply.values import PHYSICAL_NAMES

    return PHYSICAL_NAMES.get(name, name.replace("_", " "))


def neutral(name: str) -> float | None:
    """Return the value of a setting that nobody has touched; None where it has none."""
    from calib.model.place import NEUTRAL

    return NEUTRAL.get(name)


def spell(name: str, value: float) -> str:
    """Return a value with its unit."""
    from calib.apply.values import spell as digits

    return digits(name, value)
