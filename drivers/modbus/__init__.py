"""The driver `modbus`: registers over Modbus TCP, RTU on a serial line, and RTU over TCP."""
