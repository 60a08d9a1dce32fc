#!/usr/bin/env python3
"""A text file as a C array with its length: embed_text.py IN OUT NAME."""
import sys

with open(sys.argv[1], 'rb') as file:
    data = file.read()
name = sys.argv[3]
with open(sys.argv[2], 'w', encoding='ascii') as out:
    out.write('#include <stddef.h>\n\n#include "cli/built_in.h"\n\n')
    out.write(f'const char {name}[] = {{\n')
    for at in range(0, len(data), 16):
        out.write('    ' + ', '.join(str(byte if byte < 128 else byte - 256)
                                     for byte in data[at:at + 16]) + ',\n')
    out.write(f'    0}};\nconst size_t {name}_len = sizeof {name} - 1;\n')
