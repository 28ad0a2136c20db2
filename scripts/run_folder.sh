#!/bin/sh
# Starts run_folder.py with slopekit's Python: the one that SLOPEKIT_PYTHON names, else that of .venv beside this folder.
here=$(cd "$(dirname "$0")" && pwd)
exec "${SLOPEKIT_PYTHON:-$here/../.venv/bin/python}" "$here/run_folder.py"
