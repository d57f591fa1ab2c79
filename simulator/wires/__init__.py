"""The wires of the shop's instruments: Modbus RTU and text lines on pseudo-terminals, MQTT, logger CSV."""
