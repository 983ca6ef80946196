"""The live page of a record being written: reads the journal, touches no instrument."""
