"""The command line: parse, call one library function, print."""
