package telemetry

import (
	"math"

	"downhaul/rules"
)

// form is how the number in a field becomes the value of a channel.
type form uint8

// The forms. "Missing" and "Doubtful" are the qualities of package rules.
const (
	// plain: number · mul / div; a number equal to the sentinel is missing.
	plain form = iota
	// bit: 1 if a bit of mask is set, else 0.
	bit
	// landed: MAV_LANDED_STATE, 1 on the ground, 0 in the air, taking off or
	// landing; undefined is missing.
	landed
	// current: plain; negative or at the end of the field is doubtful, since
	// the field rolls over there, and a roll-over past the channel's range is
	// missing.
	current
	// output: pulse width as a fraction of the motor's range; 0 is missing.
	output
	// spareOutput: the same, but 0 gives no sample (see the table).
	spareOutput
	// clearance: plain; negative is missing.
	clearance
	// distance: plain; with the fields least, greatest, signal quality.
	distance
	// healthy: plain; doubtful unless a bit of mask is set in the further field.
	healthy
	// greatest, total, length: the largest, the sum, the length of the vector
	// of a field and the further ones.
	greatest
	total
	length
	// leastOfFour, sumOfFour: over four elements; 0 V is an element without a
	// controller, and one that holds a declared motor makes it missing.
	leastOfFour
	sumOfFour
	// hottestOfFour, anyOfFour: largest, and or-ed bits, of those elements
	// that the further field (the count of controllers) says are there; missing
	// when a declared motor's is not.
	hottestOfFour
	anyOfFour
	// packVoltage, lowestCell, cellSpread: of the ten cells of the field and
	// the four of the further one.
	packVoltage
	lowestCell
	cellSpread
)

// row is one row of the field table: from where in which message to which
// channel.
type row struct {
	channel  rules.ChannelID
	field    string // the standard's name
	element  int    // of an array
	form     form
	mul, div float64 // 0 means 1
	unknown  sentinel
	mask     uint32   // bits that the form looks at; for ESC_INFO the count of controllers before these four
	when     int      // the row holds only while the group's selector has this value
	further  []string // more fields that the form looks at
}

// sentinel is the number that says "unknown".
type sentinel struct {
	set bool
	raw int64
}

func is(raw int64) sentinel { return sentinel{true, raw} }

// group is all rows of one message.
type group struct {
	message string // its definition
	// selector is a field that says which rows hold (a battery's id, a port,
	// the first controller of four); empty if all do.
	selector string
	rows     []row
}

// Constants of the standard (MAVLink common.xml).
const (
	armedBit      = 0x80 // MAV_MODE_FLAG_SAFETY_ARMED
	winchHealthy  = 1    // MAV_WINCH_STATUS_HEALTHY
	facingDown    = 25   // MAV_SENSOR_ROTATION_PITCH_270
	signalInvalid = 1    // DISTANCE_SENSOR.signal_quality
	cellUnused    = 65535
	// One kilogram weighs 9.80665 N (exact), as two whole numbers, so that the
	// division is the only rounding.
	kgfMul, kgfDiv = 980665, 100000
	// degE7 turns 1e-7 degree into radians.
	degE7 = math.Pi / 180 / 1e7
)

// table is the field table, in the order in which the samples of one frame
// come out: what others are worked out from comes first, so climb stands
// before height. time_boot_ms is not in it: it is taken from every message
// that has it, before all else.
func table(c *FieldsConfig) []group {
	groups := []group{
		{message: heartbeat, rows: []row{
			{channel: rules.CraftArmed, field: "base_mode", form: bit, mask: armedBit},
			{channel: rules.CraftStatus, field: "system_status"},
			{channel: rules.CraftMode, field: "custom_mode"},
		}},
		{message: extendedSysState, rows: []row{
			{channel: rules.CraftLanded, field: "landed_state", form: landed},
		}},
		{message: statustext, rows: []row{
			{channel: rules.CraftSeverity, field: "severity"},
		}},
		{message: systemTime, rows: []row{
			{channel: rules.CraftUTC, field: "time_unix_usec", div: 1e6, unknown: is(0)},
		}},
		{message: attitude, rows: []row{
			{channel: rules.RollRate, field: "rollspeed"},
			{channel: rules.PitchRate, field: "pitchspeed"},
			{channel: rules.YawRate, field: "yawspeed"},
			{channel: rules.Yaw, field: "yaw"},
			{channel: rules.Roll, field: "roll"},
			{channel: rules.Pitch, field: "pitch"},
		}},
		{message: globalPositionInt, rows: []row{
			{channel: rules.ClimbGlobal, field: "vz", mul: -1, div: 100}, // cm/s, down
			{channel: rules.HeightGlobal, field: "relative_alt", div: 1000},
		}},
		{message: localPositionNed, rows: []row{
			{channel: rules.ClimbLocal, field: "vz", mul: -1}, // down
			{channel: rules.HeightLocal, field: "z", mul: -1}, // down
			{channel: rules.North, field: "x"},
			{channel: rules.East, field: "y"},
		}},
		{message: altitude, rows: []row{
			{channel: rules.HeightClearance, field: "bottom_clearance", form: clearance},
			{channel: rules.HeightAltitude, field: "altitude_relative"},
		}},
		{message: vfrHud, rows: []row{
			{channel: rules.ClimbHUD, field: "climb"},
			{channel: rules.AltitudeSea, field: "alt"},
			{channel: rules.Throttle, field: "throttle", div: 100},
		}},
		{message: distanceSensor, selector: "orientation", rows: []row{
			{channel: rules.HeightRange, when: facingDown, field: "current_distance", form: distance, div: 100,
				further: []string{"min_distance", "max_distance", "signal_quality"}},
		}},
		{message: homePosition, rows: []row{
			{channel: rules.HomeLatitude, field: "latitude", mul: degE7},
			{channel: rules.HomeLongitude, field: "longitude", mul: degE7},
			{channel: rules.HomeAltitude, field: "altitude", div: 1000},
		}},
		{message: estimatorStatus, rows: []row{
			{channel: rules.EstimatorFlags, field: "flags"},
		}},
		{message: vibration, rows: []row{
			{channel: rules.Vibration, field: "vibration_x", form: greatest, further: []string{"vibration_y", "vibration_z"}},
			{channel: rules.Clipping, field: "clipping_0", form: total, further: []string{"clipping_1", "clipping_2"}},
		}},
		{message: windCov, rows: []row{
			{channel: rules.CraftWind, field: "wind_x", form: length, further: []string{"wind_y"}},
		}},
		{message: radioStatus, rows: []row{
			{channel: rules.RadioRSSI, field: "rssi", unknown: is(255)},
			{channel: rules.RadioRemoteRSSI, field: "remrssi", unknown: is(255)},
			{channel: rules.RadioErrors, field: "rxerrors"},
		}},
		supplyRows(c),
		batteryRows(c),
		outputRows(),
		controllerRows(),
		controllerInfoRows(),
		winchRows(c),
	}
	return groups
}

// supplyRows is SYS_STATUS. Where it is the pack's source, it feeds the pack
// too.
func supplyRows(c *FieldsConfig) group {
	g := group{message: sysStatus}
	to := [][3]rules.ChannelID{{rules.SupplyVoltage, rules.SupplyCurrent, rules.SupplyLeft}}
	if c.SupplyIsPack {
		to = append(to, [3]rules.ChannelID{rules.Pack1Voltage, rules.Pack1Current, rules.Pack1Left})
	}
	for _, ch := range to {
		g.rows = append(g.rows,
			row{channel: ch[1], field: "current_battery", form: current, div: 100, unknown: is(-1)},
			row{channel: ch[2], field: "battery_remaining", div: 100, unknown: is(-1)},
			row{channel: ch[0], field: "voltage_battery", div: 1000, unknown: is(65535)})
	}
	return g
}

// batteryRows is BATTERY_STATUS: battery id 0 is the pack, 1 to 3 are packs 2
// to 4. A channel that SYS_STATUS feeds is left out: one source only.
func batteryRows(c *FieldsConfig) group {
	g := group{message: batteryStatus, selector: "id"}
	const each = rules.Pack2Voltage - rules.Pack1Voltage
	ext := []string{"voltages_ext"}
	for id := range 4 {
		at := rules.ChannelID(id) * each
		rows := []row{
			{channel: rules.Pack1Current + at, field: "current_battery", form: current, div: 100, unknown: is(-1)},
			{channel: rules.Pack1Charge + at, field: "current_consumed", mul: 18, div: 5, unknown: is(-1)}, // mAh · 3.6 = C
			{channel: rules.Pack1Left + at, field: "battery_remaining", div: 100, unknown: is(-1)},
			{channel: rules.Pack1Temperature + at, field: "temperature", div: 100, unknown: is(32767)},
			{channel: rules.Pack1Voltage + at, field: "voltages", form: packVoltage, div: 1000, further: ext},
			{channel: rules.Pack1LowestCell + at, field: "voltages", form: lowestCell, div: 1000, further: ext},
			{channel: rules.Pack1CellSpread + at, field: "voltages", form: cellSpread, div: 1000, further: ext},
		}
		for _, r := range rows {
			r.when = id
			fromSupply := r.channel == rules.Pack1Voltage || r.channel == rules.Pack1Current || r.channel == rules.Pack1Left
			if !c.SupplyIsPack || !fromSupply {
				g.rows = append(g.rows, r)
			}
		}
	}
	return g
}

// outputRows is SERVO_OUTPUT_RAW: port 0 is outputs 1 to 8, and 9 to 16 in its
// extension; port 1 is outputs 9 to 16. A sender that uses port 1 leaves port
// 0's extension at 0, so a 0 there gives no sample: else the two would
// contradict each other in turn. Silence goes stale soon enough.
func outputRows() group {
	g := group{message: servoOutputRaw, selector: "port"}
	names := [16]string{"servo1_raw", "servo2_raw", "servo3_raw", "servo4_raw", "servo5_raw", "servo6_raw",
		"servo7_raw", "servo8_raw", "servo9_raw", "servo10_raw", "servo11_raw", "servo12_raw", "servo13_raw",
		"servo14_raw", "servo15_raw", "servo16_raw"}
	for i, name := range names {
		r := row{channel: rules.Motor1Output + rules.ChannelID(i), field: name, form: output}
		if i >= 8 {
			r.form = spareOutput
		}
		g.rows = append(g.rows, r)
	}
	for i, name := range names[:8] {
		g.rows = append(g.rows, row{channel: rules.Motor1Output + 8 + rules.ChannelID(i), when: 1, field: name, form: output})
	}
	return g
}

// Ids of the messages that tell of motor controllers (MAVLink common.xml).
const (
	idESCInfo   = 290
	idESCStatus = 291
)

// controllerRows is ESC_STATUS, four controllers a frame from the one in
// Index on. Lowest voltage and total current are those of the frame's four: a
// craft with more tells of them in turn, and the intake makes one of them.
func controllerRows() group {
	g := group{message: escStatus, selector: "index"}
	for first := 0; first < 16; first += 4 {
		for k := range 4 {
			g.rows = append(g.rows, row{channel: rules.Motor1Speed + rules.ChannelID(first+k), when: first,
				field: "rpm", element: k, div: 60})
		}
		g.rows = append(g.rows,
			row{channel: rules.ESCCurrent, when: first, field: "current", form: sumOfFour},
			row{channel: rules.ESCVoltage, when: first, field: "voltage", form: leastOfFour})
	}
	return g
}

// controllerInfoRows is ESC_INFO, four controllers a frame like ESC_STATUS.
func controllerInfoRows() group {
	g := group{message: escInfo, selector: "index"}
	for first := 0; first < 16; first += 4 {
		g.rows = append(g.rows,
			row{channel: rules.ESCTemperature, when: first, field: "temperature", form: hottestOfFour, div: 100,
				unknown: is(32767), further: []string{"count"}, mask: uint32(first)},
			row{channel: rules.ESCFailures, when: first, field: "failure_flags", form: anyOfFour,
				further: []string{"count"}, mask: uint32(first)})
	}
	return g
}

// winchRows is WINCH_STATUS. Its tension is in kg, whatever the name says.
func winchRows(c *FieldsConfig) group {
	status := []string{"status"}
	g := group{message: winchStatus, rows: []row{
		{channel: rules.WinchLine, field: "line_length", form: healthy, mask: winchHealthy, further: status},
		{channel: rules.WinchSpeed, field: "speed", form: healthy, mask: winchHealthy, further: status},
		{channel: rules.WinchTension, field: "tension", form: healthy, mul: kgfMul, div: kgfDiv, mask: winchHealthy, further: status},
	}}
	if c.TensionFromWinch {
		r := g.rows[2]
		r.channel = rules.Tension
		g.rows = append(g.rows, r)
	}
	return g
}
