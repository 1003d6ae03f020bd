"""The panel of a simulated relay: a coil that is told, a contact that follows, and a second contact that tells on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chargerd.sim.panel import Panel, Setting
from chargerd.sim.ports import ContactPort

if TYPE_CHECKING:
    from chargerd.sim.timeline import Site

CONTACT_ohm = 0.02
BOOT_S = 20.0
"""How long the pins that drive a relay float while a small computer starts."""

STATES = ("open", "closed")


class Relay(Panel):
    """One contact. `closed` is what it was told; `contact_closed` and `mirror_closed` are what it does.

    The mirror contact is forcibly guided: it follows the contact itself, so it shows a welded one.
    """

    SWITCH = "closed"

    closed: bool

    def __init__(
        self,
        name: str,
        node: Site,
        *,
        contact_ohm: float = CONTACT_ohm,
        settle_s: float = 0.0,
        without_power: str = "open",
        at_boot: str = "open",
        boots_at_start: bool = False,
        seed: int = 0,
    ) -> None:
        """A relay whose contact is `node`.

        Args:
            name: of the panel.
            node: the two nets it joins, a `ContactPort`; on any other terminals it switches nothing.
            contact_ohm: resistance of the closed contact.
            settle_s: from what it is told to a still contact.
            without_power: what the contact does when the coil has no power, open or closed.
            at_boot: what it does for the first BOOT_S after the computer that drives it starts.
            boots_at_start: whether that computer starts at 0 s.
            seed: of the noise.

        Raises:
            ValueError: for a state that is neither open nor closed.
        """
        for state in (without_power, at_boot):
            _check(state)
        self.contact_closed = False
        self.has_power = True
        self.is_booting = False
        self.stuck = ""
        self._contact_ohm, self._settle_s = contact_ohm, settle_s
        self._without_power, self._at_boot = without_power, at_boot
        self._cause = "made"
        super().__init__(name, node, {"closed": Setting(default=False)}, seed=seed)
        self._conduct()
        if boots_at_start:
            self.boot(0.0)

    # -- what it does -------------------------------------------------------------------------------------------

    @property
    def conducts(self) -> bool:
        """Whether the contact is really closed."""
        return self.contact_closed

    @property
    def closed_shown(self) -> bool:
        """What the board says: what it was told, not what the contact does."""
        return self.closed

    @property
    def mirror_closed(self) -> bool:
        """The second contact: what the first one really does."""
        return self.contact_closed

    def _wants_closed(self) -> bool:
        if self.stuck or self.is_stuck_on:
            return self.is_stuck_on or self.stuck == "closed"
        if not self.has_power:
            return self._without_power == "closed"
        return self._at_boot == "closed" if self.is_booting else self.closed

    def changed(self, cause: str, now_s: float) -> None:
        """Begin to move; the contact is still after the settle time."""
        self._cause = cause
        if self._settle_s > 0.0:
            self.node.schedule(now_s + self._settle_s, self._move)
        else:
            self._move(now_s)

    def _move(self, at_s: float) -> None:
        self.node.arrive(at_s)
        closes = self._wants_closed()
        if closes == self.contact_closed:
            return
        self.contact_closed = closes
        self.record(self._cause, at_s)
        self._conduct()

    def _conduct(self) -> None:
        if isinstance(self.node, ContactPort):
            self.node.ohm = self._contact_ohm if self.contact_closed else None
            self.node.changed()

    # -- what happens to it -------------------------------------------------------------------------------------

    def weld(self, state: str, now_s: float) -> None:
        """From now on the contact stays `open` or `closed` whatever it is told; "" frees it.

        Raises:
            ValueError: for another state.
        """
        if state:
            _check(state)
        self.node.arrive(now_s)
        self.stuck = state
        self.changed("fault", now_s)

    def wear(self, contact_ohm: float, now_s: float) -> None:
        """From now on the closed contact has this resistance."""
        self.node.arrive(now_s)
        self._contact_ohm = contact_ohm
        self._conduct()

    def power(self, now_s: float, *, on: bool) -> None:
        """The coil's supply goes or comes; what it was told is forgotten."""
        self.node.arrive(now_s)
        self.has_power = on
        self._restore_defaults()
        self.changed("power", now_s)

    def boot(self, now_s: float, for_s: float = BOOT_S, state: str = "") -> None:
        """The computer that drives it starts: for a while its pins are not driven, then it is open.

        Args:
            now_s: when.
            for_s: for how long.
            state: what the contact does meanwhile, now and at every later start; "" for what it is made to do.

        Raises:
            ValueError: for a state that is neither open nor closed.
        """
        if state:
            _check(state)
            self._at_boot = state
        self.node.arrive(now_s)
        self.is_booting = True
        self._restore_defaults()
        self.changed("boot", now_s)
        self.node.schedule(now_s + for_s, self._booted)

    def _booted(self, at_s: float) -> None:
        self.node.arrive(at_s)
        self.is_booting = False
        self.changed("boot", at_s)

    def reboot(self, now_s: float) -> None:
        """As `boot`; listeners notice by `boots`."""
        self.boots += 1
        self.boot(now_s)

    def truth(self, quantity: str, now_s: float) -> float:
        """`closed` as told, `mirror_closed` and `contact_closed` as it is, `current_A` through it, `voltage_V` across it."""
        at = self.node.look(now_s)
        states = {"closed": self.closed, "mirror_closed": self.mirror_closed, "contact_closed": self.contact_closed}
        if quantity in states:
            return float(states[quantity])
        return {"current_A": at.current_A, "voltage_V": at.voltage_V}[quantity]


def _check(state: str) -> None:
    if state not in STATES:
        raise ValueError(f"a contact is open or closed, not {state!r}")
