#!/usr/bin/env python3
"""Answers the cautions at a terminal of its own: ask_terminal.py ANSWER PROGRAM ARGUMENTS...
Ends with the program's exit status; prints what was on the terminal."""
import os
import pty
import sys

answer, words = sys.argv[1], sys.argv[2:]
child, terminal = pty.fork()
if child == 0:
    os.execv(words[0], words)
seen = b''
answered = False
while True:
    try:
        piece = os.read(terminal, 4096)
    except OSError:  # the other end is closed
        piece = b''
    if not piece:
        break
    seen += piece
    if not answered and b'Type yes' in seen:
        answered = True
        os.write(terminal, answer.encode() + b'\n')
sys.stdout.write(seen.decode(errors='replace'))
sys.exit(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
