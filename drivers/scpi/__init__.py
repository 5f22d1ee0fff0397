"""The driver `scpi`: IEEE 488.2 / SCPI over a TCP socket or a serial line; and the device's side for the load agent."""
