"""Live shell: event loop, transmit, supervision of the bus, notification of the service manager."""
