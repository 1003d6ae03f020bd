"""How bytes become messages. Pure: no sockets, no clock."""
