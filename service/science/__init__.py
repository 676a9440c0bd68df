"""Pure numbers: fish physics, kinetics, dosing. No session, no clock, no web."""
