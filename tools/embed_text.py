#!/usr/bin/env python3
# Turns a text file into a C array of bytes with a closing NUL: embed_text.py IN OUT.c NAME
# (a byte array, because C only promises string literals of 4095 characters)
import sys

source, out, name = sys.argv[1:4]
data = open(source, "rb").read()
if b"\0" in data:
    sys.exit(f"{source}: holds a NUL byte, which would end the text early")
with open(out, "w", encoding="ascii") as f:
    f.write(f"extern const char {name}[];\nconst char {name}[] = {{\n")
    for i in range(0, len(data), 16):
        # char may be signed: bytes from 128 on are written as negative numbers
        f.write("    " + " ".join(f"{b - 256 if b > 127 else b}," for b in data[i : i + 16]) + "\n")
    f.write("    0};\n")
