"""An invented trade to try Casebook with: vehicles, faults, shops and what they wrote down.

The world stands in `world/*.toml`, readable and made up from end to end; the modules beside it play
it out with seeded dice. Nothing here knows how Casebook compares cases or estimates outcomes, so
that what the service finds in the demo it has really found.
"""
