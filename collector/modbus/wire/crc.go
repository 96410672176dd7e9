package wire

// crc16 returns the CRC of MODBUS over Serial Line V1.02, 6.2.2: polynomial
// 0xA001 reflected, start 0xFFFF; it is sent low byte first.
func crc16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, v := range b {
		crc ^= uint16(v)
		for range 8 {
			if crc&1 != 0 {
				crc = crc>>1 ^ 0xA001
			} else {
				crc >>= 1
			}
		}
	}
	return crc
}

// sound reports whether the frame's last two bytes are its CRC.
func sound(frame []byte) bool {
	n := len(frame) - 2
	return n >= 2 && crc16(frame[:n]) == uint16(frame[n])|uint16(frame[n+1])<<8
}

// Sound reports whether the frame's last two bytes are its CRC, low byte first.
func Sound(frame []byte) bool { return sound(frame) }
