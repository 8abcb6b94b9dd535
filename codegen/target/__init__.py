"""Real targets: a controller compiled for its microcontroller, executed there under emulation, and bounded in cycles and stack.

Modules are imported by name; the emulators and the disassembler are loaded where they are used.
"""
