package modbusserver

import "fmt"

// An Exception is the code of a refusal (Modbus Application Protocol V1.1b3, section 7). As an error it says which.
type Exception uint8

// The exceptions that the protocol defines. A device may answer with any other code as well; 0 is none.
const (
	IllegalFunction        Exception = 0x01
	IllegalDataAddress     Exception = 0x02
	IllegalDataValue       Exception = 0x03
	ServerDeviceFailure    Exception = 0x04
	Acknowledge            Exception = 0x05
	ServerDeviceBusy       Exception = 0x06
	MemoryParityError      Exception = 0x08
	GatewayPathUnavailable Exception = 0x0A
	GatewayTargetFailed    Exception = 0x0B
)

var exceptionNames = map[Exception]string{
	IllegalFunction:        "illegal function",
	IllegalDataAddress:     "illegal data address",
	IllegalDataValue:       "illegal data value",
	ServerDeviceFailure:    "server device failure",
	Acknowledge:            "acknowledge",
	ServerDeviceBusy:       "server device busy",
	MemoryParityError:      "memory parity error",
	GatewayPathUnavailable: "gateway path unavailable",
	GatewayTargetFailed:    "gateway target device failed to respond",
}

// Error returns the code and its name.
func (e Exception) Error() string {
	if name := exceptionNames[e]; name != "" {
		return fmt.Sprintf("modbus exception %d (%s)", uint8(e), name)
	}
	return fmt.Sprintf("modbus exception %d", uint8(e))
}
