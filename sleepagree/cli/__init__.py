"""The command line: parse, call one function of the library, hand the result to what renders it."""
