"""Measured enthalpy of white fish, zero at -40 °C.

Johnston, Nicholson, Roger & Stroud 1994, FAO Fisheries Technical Paper 340, table 31
[read]: temperature in °C, kcal/kg.
"""

KJ_PER_KCAL = 4.1868  # of engineering tables
WHITE_FISH_KCAL_KG = {
    -40: 0.0,
    -36: 1.77,
    -32: 3.60,
    -28: 5.55,
    -24: 7.67,
    -20: 10.03,
    -16: 12.69,
    -14: 14.18,
    -12: 15.84,
    -10: 17.73,
    -8: 19.99,
    -6: 23.01,
    -4: 28.05,
    -3: 32.70,
    -2: 42.16,
    -1: 71.16,
    0: 77.16,
    4: 80.65,
    10: 85.89,
    20: 94.65,
}
