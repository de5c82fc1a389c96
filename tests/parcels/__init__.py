"""
A second plant, with other physics than the program's own: tanks of parcels of water that move as wholes.

The studies hold figures against it as well, so that nothing is right only because account and plant share their layers.
Weather, taps, instruments and the shape of the truth are those of `ingest.virtual`; tanks, coils, heat sources, their
controllers and the properties of their fluids (CoolProp) are its own.
"""
