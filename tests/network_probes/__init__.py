"""OPC UA, SNMP and BACnet/IP against peers of other makes, through a wire that can be spoiled and cut."""
