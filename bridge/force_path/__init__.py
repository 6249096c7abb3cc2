"""The shared mapping stage and the safety stage; sans-I/O and bit-for-bit reproducible.

No sockets, files, threads, clock, asyncio or unseeded randomness here: time is an argument. Only IEEE 754
operations that every platform rounds alike (+ - * / sqrt) and our own polynomial or rational forms
(`bridge.force_path.arithmetic`). ``tests/architecture`` enforces both.
"""
