"""The fault campaign: seeded random seasons in which everything that can go wrong does, in combination.

`scenario` draws a site, its weather, its sowings and its troubles from a seed. `play` runs the real
decision core, the real requests and the real MQTT drivers against the simulated benches. `judge`
holds what must be so at every tick, by the simulator's truth and never by what the daemon believes.
`run` spreads many scenarios over the cores, and shortens one that fails.
"""
