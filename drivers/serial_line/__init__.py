"""The driver `serial_line`: lines of text, asked for or unasked, over a serial line or a TCP socket."""
