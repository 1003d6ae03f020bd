"""Why a channel may trip, in plain words."""

from __future__ import annotations

CAUSES: dict[str, str] = {
    "over-voltage": "the cell's voltage is above its hard limit",
    "under-voltage": "the cell's voltage is below its hard limit",
    "reverse-polarity": "the cell reads as connected the wrong way round",
    "step-voltage": "the voltage stands above this step's own limit: the source does not obey",
    "over-discharge": "the voltage fell below this step's end without the discharge ending",
    "over-current": "the current is above its hard limit",
    "current-above-set-point": "the current is above what was set: the instrument does not limit it",
    "current-direction": "the current flows the wrong way for this step",
    "over-temperature": "the cell is hotter than its limit",
    "too-cold": "the cell is colder than its limit",
    "temperature-rise": "the cell has warmed too far above the room",
    "heating-too-fast": "the cell is heating too fast",
    "reading-lost": "a value needed to supervise the cell has been missing too long",
    "current-while-off": "current flows although the outputs are off",
    "current-while-isolated": "current flows although the relay to the cell is open",
    "source-and-load-on": "source and load are on together",
    "source-found-on": "the source is on although it was switched off",
    "load-found-on": "the load is on although it was switched off",
    "load-found-off": "the load is off although it was switched on",
    "instrument-protection": "a protection inside an instrument has acted",
    "instrument-restarted": "an instrument lost power or was reset",
    "set-point-changed": "a set-point is not what was written: somebody or something changed it",
    "protection-level-changed": "an instrument's own protection level is not what was written",
    "bound-time": "the step ran past 1.25 × its time end",
    "bound-charge": "the step moved more than 1.25 × its charge end",
    "bound-energy": "the step moved more than 1.25 × its energy end",
    "bound-gas": "more than 1.25 × the step's gas charge end went into gas",
    "relay-found-open": "the cell's relay is open although it was closed",
    "relay-found-closed": "the cell's relay is closed although it was opened",
    "relay-contradicts": "the relay's second contact contradicts the relay: it is welded, or it does not close",
    "relay-not-verified": "the relay could not be proven open or closed",
    "hot-contact": "a clip, a contact or a lead between source and cell turns too much power into heat",
    "currents-differ": "the instruments do not agree about the current",
    "off-not-verified": "an output could not be proven off",
    "on-not-verified": "an output could not be proven on with its set-points and protection",
    "link-lost": "an instrument does not answer",
    "keeper-lost": "the guarding process is gone",
    "suspended": "the computer slept: nothing supervised the cell",
    "program-fault": "a fault inside the program itself",
}
"""Every cause a trip can have, in plain words. Codes never stand alone on a screen."""

NOT_VERIFIED = {
    "off": "off-not-verified",
    "on": "on-not-verified",
    "open": "relay-not-verified",
    "closed": "relay-not-verified",
}
"""The cause that follows when a switching could not be proven; the key is what was wanted."""
