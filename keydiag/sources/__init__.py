"""Where readings come from: a serial port, a virtual half, or a journal, behind one interface.

`base` has the interface and what a source says; `conversation` the host's side of the wire
protocol without input or output. `serialport`, `virtual` and `replay` are the sources; `served`
puts a virtual half on a pseudo-terminal. Import the module you need; nothing is imported here.
"""
