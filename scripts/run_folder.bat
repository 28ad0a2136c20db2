@echo off
setlocal
rem Starts run_folder.py with slopekit's Python: the one that SLOPEKIT_PYTHON names, else that of .venv beside this folder.
if not defined SLOPEKIT_PYTHON set "SLOPEKIT_PYTHON=%~dp0..\.venv\Scripts\python.exe"
"%SLOPEKIT_PYTHON%" "%~dp0run_folder.py"
pause
