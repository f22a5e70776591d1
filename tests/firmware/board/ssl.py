"""A board's `ssl`: the line stays plain, but only to one who checks whom he talks to."""

import bridge

PROTOCOL_TLS_CLIENT, CERT_NONE, CERT_REQUIRED = 0, 0, 2


class SSLContext:
    def __init__(self, protocol):
        assert protocol == PROTOCOL_TLS_CLIENT
        self.verify_mode = CERT_NONE
        self._authority = b""

    def load_verify_locations(self, cadata):
        self._authority = cadata

    def wrap_socket(self, line, server_hostname):
        assert self.verify_mode == CERT_REQUIRED
        bridge.secured(server_hostname, self._authority.decode())
        return line
