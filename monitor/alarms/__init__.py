"""The lifecycle of an alarm, after IEC 62682 / ISA-18.2 and OPC UA Part 9."""
