package rules

import (
	"fmt"
	"strings"
	"time"
)

// ChannelID names one channel; it is the index into the catalogue.
type ChannelID uint16

// NoChannel is the zero ID: no channel.
const NoChannel ChannelID = 0

// The channels, in catalogue order.
const (
	CraftArmed ChannelID = iota + 1
	CraftLanded
	CraftStatus
	CraftSeverity
	CraftBootClock
	CraftUTC
	HeightGlobal
	ClimbGlobal
	HeightLocal
	ClimbLocal
	North
	East
	HeightAltitude
	HeightClearance
	HeightRange
	AltitudeSea
	ClimbHUD
	Throttle
	Roll
	Pitch
	Yaw
	RollRate
	PitchRate
	YawRate
	SupplyVoltage
	SupplyCurrent
	SupplyLeft
	Pack1Voltage
	Pack1Current
	Pack1Charge
	Pack1Left
	Pack1Temperature
	Pack1LowestCell
	Pack1CellSpread
	Motor1Output ChannelID = iota + 1 + 3*PerPack
	Motor1Speed  ChannelID = iota + 1 + 3*PerPack + 15
	ESCVoltage   ChannelID = iota + 1 + 3*PerPack + 2*15
	ESCCurrent
	ESCTemperature
	ESCFailures
	Vibration
	Clipping
	WinchTension
	WinchLine
	WinchSpeed
	CraftWind
	RadioRSSI
	RadioRemoteRSSI
	RadioErrors
	HomeLatitude
	HomeLongitude
	HomeAltitude
	EstimatorFlags
	Told1
	Tension ChannelID = iota + 1 + 3*PerPack + 2*15 + 7
	WindSpeed
	LinkAge
	LinkLoss
	LinkLag
	Height
	Climb
	Apex
	Distance
	SlantRange
	Sway
	Tilt
	MotorHighest
	MotorSpread
	MotorHeadroom
	RotorSpeed
	TensionRate
	Gust
	Mean2
	Mean10
	Peak10
	Lull10
	RotorWind
	PackMeanCell
	PackResistance
	PackResting
	PackToFloor
	LiftReserve
	RotorGust
	CraftMode

	// ChannelCount is one more than the last ID: the size of a table by ID.
	ChannelCount
)

// What repeats: the figures of each of four packs, the output and the speed of each of
// 16 motors, and eight values. Their rows follow that of the first.
const (
	// PerPack is how many figures a pack has.
	PerPack = Pack1CellSpread - Pack1Voltage + 1

	Pack2Voltage, Pack3Voltage, Pack4Voltage             = Pack1Voltage + PerPack, Pack1Voltage + 2*PerPack, Pack1Voltage + 3*PerPack
	Pack2Current, Pack3Current, Pack4Current             = Pack1Current + PerPack, Pack1Current + 2*PerPack, Pack1Current + 3*PerPack
	Pack2Temperature, Pack3Temperature, Pack4Temperature = Pack1Temperature + PerPack, Pack1Temperature + 2*PerPack, Pack1Temperature + 3*PerPack
	Pack2LowestCell, Pack3LowestCell, Pack4LowestCell    = Pack1LowestCell + PerPack, Pack1LowestCell + 2*PerPack, Pack1LowestCell + 3*PerPack
	Pack4CellSpread                                      = Motor1Output - 1
	Motor16Output, Motor16Speed                          = Motor1Speed - 1, ESCVoltage - 1
	Told8                                                = Tension - 1
)

// catalogue holds one row for each channel, in the order of the constants.
var catalogue = repeated(firsts)

// repeated fills in the rows that follow the first of what repeats.
func repeated(rows [ChannelCount]Channel) [ChannelCount]Channel {
	for _, r := range []struct {
		first, each, last    ChannelID
		word, name, numbered string // the word in the first row's name, and what a number makes of it there and in plain words
	}{
		{Pack1Voltage, PerPack, Pack4CellSpread, "pack", "pack%d", "pack %d"},
		{Motor1Output, 1, Motor16Output, "1", "%d", "%d"}, {Motor1Speed, 1, Motor16Speed, "1", "%d", "%d"}, {Told1, 1, Told8, "1", "%d", "%d"},
	} {
		for id := r.first + r.each; id <= r.last; id++ {
			c, n := rows[r.first+(id-r.first)%r.each], 1+(id-r.first)/r.each
			c.ID, c.Name = id, strings.Replace(c.Name, r.word, fmt.Sprintf(r.name, n), 1)
			c.Says = strings.Replace(c.Says, r.word, fmt.Sprintf(r.numbered, n), 1)
			rows[id] = c
		}
	}
	return rows
}

// firsts are the rows that are not filled in.
var firsts = [ChannelCount]Channel{
	CraftArmed:       {ID: CraftArmed, Name: "craft.armed", Kind: Flag, Low: 0, High: 1, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "HEARTBEAT", Says: "armed, as the craft says"},
	CraftLanded:      {ID: CraftLanded, Name: "craft.landed", Kind: Flag, Low: 0, High: 1, Period: 1000 * time.Millisecond, Stale: 1500 * time.Millisecond, Message: "EXTENDED_SYS_STATE", Says: "on the ground, as the craft says"},
	CraftStatus:      {ID: CraftStatus, Name: "craft.status", Kind: Number, Low: 0, High: 255, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "HEARTBEAT", Says: "system status code of the craft (MAV_STATE)"},
	CraftSeverity:    {ID: CraftSeverity, Name: "craft.severity", Kind: Number, Low: 0, High: 7, Period: 1000 * time.Millisecond, Stale: 10000 * time.Millisecond, Message: "STATUSTEXT", Says: "severity of the craft's last text, 0 emergency to 7 debug (RFC 5424)"},
	CraftBootClock:   {ID: CraftBootClock, Name: "craft.boot_clock", Kind: Duration, Low: 0, High: 4294968, Period: 250 * time.Millisecond, Stale: 500 * time.Millisecond, Message: "SYSTEM_TIME", Says: "time since the craft started, by its own clock"},
	CraftUTC:         {ID: CraftUTC, Name: "craft.utc", Kind: Duration, Low: 0, High: 1e10, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "SYSTEM_TIME", Says: "the craft's own wall clock, seconds since 1970"},
	HeightGlobal:     {ID: HeightGlobal, Name: "craft.height.global", Kind: Length, Low: -1000, High: 10000, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Message: "GLOBAL_POSITION_INT", Says: "height above home, from GLOBAL_POSITION_INT"},
	ClimbGlobal:      {ID: ClimbGlobal, Name: "craft.climb.global", Kind: Speed, Low: -100, High: 100, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Message: "GLOBAL_POSITION_INT", Says: "climb, from GLOBAL_POSITION_INT"},
	HeightLocal:      {ID: HeightLocal, Name: "craft.height.local", Kind: Length, Low: -1000, High: 10000, Period: 100 * time.Millisecond, Stale: 300 * time.Millisecond, Message: "LOCAL_POSITION_NED", Says: "height above the local origin, from LOCAL_POSITION_NED"},
	ClimbLocal:       {ID: ClimbLocal, Name: "craft.climb.local", Kind: Speed, Low: -100, High: 100, Period: 100 * time.Millisecond, Stale: 300 * time.Millisecond, Message: "LOCAL_POSITION_NED", Says: "climb, from LOCAL_POSITION_NED"},
	North:            {ID: North, Name: "craft.north", Kind: Length, Low: -10000, High: 10000, Period: 100 * time.Millisecond, Stale: 300 * time.Millisecond, Message: "LOCAL_POSITION_NED", Says: "north of the local origin"},
	East:             {ID: East, Name: "craft.east", Kind: Length, Low: -10000, High: 10000, Period: 100 * time.Millisecond, Stale: 300 * time.Millisecond, Message: "LOCAL_POSITION_NED", Says: "east of the local origin"},
	HeightAltitude:   {ID: HeightAltitude, Name: "craft.height.altitude", Kind: Length, Low: -1000, High: 10000, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Message: "ALTITUDE", Says: "height above home, from ALTITUDE"},
	HeightClearance:  {ID: HeightClearance, Name: "craft.height.clearance", Kind: Length, Low: 0, High: 10000, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Message: "ALTITUDE", Says: "clearance below, from ALTITUDE"},
	HeightRange:      {ID: HeightRange, Name: "craft.height.range", Kind: Length, Low: 0, High: 300, Period: 100 * time.Millisecond, Stale: 300 * time.Millisecond, Message: "DISTANCE_SENSOR", Says: "distance to the ground, from a DISTANCE_SENSOR that looks down"},
	AltitudeSea:      {ID: AltitudeSea, Name: "craft.altitude.sea", Kind: Length, Low: -1000, High: 20000, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Message: "VFR_HUD", Says: "altitude above sea level, from VFR_HUD; no height above the pad"},
	ClimbHUD:         {ID: ClimbHUD, Name: "craft.climb.hud", Kind: Speed, Low: -100, High: 100, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Message: "VFR_HUD", Says: "climb, from VFR_HUD"},
	Throttle:         {ID: Throttle, Name: "craft.throttle", Kind: Ratio, Low: 0, High: 1, Period: 250 * time.Millisecond, Stale: 500 * time.Millisecond, Message: "VFR_HUD", Says: "throttle, from VFR_HUD"},
	Roll:             {ID: Roll, Name: "craft.roll", Kind: Angle, Low: -3.1415926535897936, High: 3.1415926535897936, Period: 100 * time.Millisecond, Stale: 200 * time.Millisecond, Message: "ATTITUDE", Says: "roll angle", FrozenAfter: 25},
	Pitch:            {ID: Pitch, Name: "craft.pitch", Kind: Angle, Low: -1.5707963267948968, High: 1.5707963267948968, Period: 100 * time.Millisecond, Stale: 200 * time.Millisecond, Message: "ATTITUDE", Says: "pitch angle", FrozenAfter: 25},
	Yaw:              {ID: Yaw, Name: "craft.yaw", Kind: Angle, Low: -3.1415926535897936, High: 6.283185307179587, Period: 100 * time.Millisecond, Stale: 200 * time.Millisecond, Message: "ATTITUDE", Says: "yaw angle"},
	RollRate:         {ID: RollRate, Name: "craft.roll_rate", Kind: AngularRate, Low: -70, High: 70, Period: 100 * time.Millisecond, Stale: 200 * time.Millisecond, Message: "ATTITUDE", Says: "roll rate"},
	PitchRate:        {ID: PitchRate, Name: "craft.pitch_rate", Kind: AngularRate, Low: -70, High: 70, Period: 100 * time.Millisecond, Stale: 200 * time.Millisecond, Message: "ATTITUDE", Says: "pitch rate"},
	YawRate:          {ID: YawRate, Name: "craft.yaw_rate", Kind: AngularRate, Low: -70, High: 70, Period: 100 * time.Millisecond, Stale: 200 * time.Millisecond, Message: "ATTITUDE", Says: "yaw rate"},
	SupplyVoltage:    {ID: SupplyVoltage, Name: "supply.voltage", Kind: Voltage, Low: 0.6, High: 1000, Period: 500 * time.Millisecond, Stale: 1000 * time.Millisecond, Message: "SYS_STATUS", Says: "supply voltage, from SYS_STATUS"},
	SupplyCurrent:    {ID: SupplyCurrent, Name: "supply.current", Kind: Current, Low: -50, High: 1000, Period: 500 * time.Millisecond, Stale: 1000 * time.Millisecond, Message: "SYS_STATUS", Says: "supply current, from SYS_STATUS"},
	SupplyLeft:       {ID: SupplyLeft, Name: "supply.left", Kind: Ratio, Low: 0, High: 1, Period: 500 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "SYS_STATUS", Says: "charge left by the craft's own count, from SYS_STATUS"},
	Pack1Voltage:     {ID: Pack1Voltage, Name: "pack.voltage", Kind: Voltage, Low: 0.6, High: 1000, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "BATTERY_STATUS (or SYS_STATUS)", Says: "voltage of pack, the sum of its cells or the whole"},
	Pack1Current:     {ID: Pack1Current, Name: "pack.current", Kind: Current, Low: -50, High: 1000, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "BATTERY_STATUS (or SYS_STATUS)", Says: "current of pack"},
	Pack1Charge:      {ID: Pack1Charge, Name: "pack.charge", Kind: Charge, Low: 0, High: 3.6e6, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "BATTERY_STATUS", Says: "charge drawn from pack"},
	Pack1Left:        {ID: Pack1Left, Name: "pack.left", Kind: Ratio, Low: 0, High: 1, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "BATTERY_STATUS (or SYS_STATUS)", Says: "charge left in pack by the craft's own count"},
	Pack1Temperature: {ID: Pack1Temperature, Name: "pack.temperature", Kind: Temperature, Low: -60, High: 150, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "BATTERY_STATUS", Says: "temperature of pack"},
	Pack1LowestCell:  {ID: Pack1LowestCell, Name: "pack.lowest_cell", Kind: Voltage, Low: 0.6, High: 5, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "BATTERY_STATUS", Says: "lowest cell of pack"},
	Pack1CellSpread:  {ID: Pack1CellSpread, Name: "pack.cell_spread", Kind: Voltage, Low: 0, High: 4, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "BATTERY_STATUS", Says: "highest less lowest cell of pack"},
	Motor1Output:     {ID: Motor1Output, Name: "motor1.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Message: "SERVO_OUTPUT_RAW", Says: "output to motor 1, of its range"},
	Motor1Speed:      {ID: Motor1Speed, Name: "motor1.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Message: "ESC_STATUS", Says: "rotor speed of motor 1"},
	ESCVoltage:       {ID: ESCVoltage, Name: "esc.voltage", Kind: Voltage, Low: 0.6, High: 1000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Message: "ESC_STATUS", Says: "lowest voltage that a motor controller reports"},
	ESCCurrent:       {ID: ESCCurrent, Name: "esc.current", Kind: Current, Low: -500, High: 5000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Message: "ESC_STATUS", Says: "sum of the motor controllers' currents"},
	ESCTemperature:   {ID: ESCTemperature, Name: "esc.temperature", Kind: Temperature, Low: -60, High: 250, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "ESC_INFO", Says: "hottest motor controller"},
	ESCFailures:      {ID: ESCFailures, Name: "esc.failures", Kind: Number, Low: 0, High: 65535, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "ESC_INFO", Says: "failure flags of all motor controllers, or-ed"},
	Vibration:        {ID: Vibration, Name: "craft.vibration", Kind: Acceleration, Low: 0, High: 1000, Period: 500 * time.Millisecond, Stale: 1000 * time.Millisecond, Message: "VIBRATION", Says: "largest of the three vibration levels"},
	Clipping:         {ID: Clipping, Name: "craft.clipping", Kind: Number, Low: 0, High: 1e10, Period: 500 * time.Millisecond, Stale: 1000 * time.Millisecond, Message: "VIBRATION", Says: "accelerometer clips so far, all three"},
	WinchTension:     {ID: WinchTension, Name: "winch.tension", Kind: Force, Low: -1e5, High: 1e6, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Message: "WINCH_STATUS", Says: "line tension told by a winch (WINCH_STATUS)"},
	WinchLine:        {ID: WinchLine, Name: "winch.line_out", Kind: Length, Low: -10, High: 10000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Message: "WINCH_STATUS", Says: "line out told by a winch"},
	WinchSpeed:       {ID: WinchSpeed, Name: "winch.speed", Kind: Speed, Low: -100, High: 100, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Message: "WINCH_STATUS", Says: "line speed told by a winch"},
	CraftWind:        {ID: CraftWind, Name: "craft.wind", Kind: Speed, Low: 0, High: 120, Period: 1000 * time.Millisecond, Stale: 3000 * time.Millisecond, Message: "WIND_COV", Says: "horizontal wind by the craft's own estimate (WIND_COV)"},
	RadioRSSI:        {ID: RadioRSSI, Name: "radio.rssi", Kind: Number, Low: 0, High: 254, Period: 1000 * time.Millisecond, Stale: 3000 * time.Millisecond, Message: "RADIO_STATUS", Says: "signal strength at the ground radio, in its own units"},
	RadioRemoteRSSI:  {ID: RadioRemoteRSSI, Name: "radio.remote_rssi", Kind: Number, Low: 0, High: 254, Period: 1000 * time.Millisecond, Stale: 3000 * time.Millisecond, Message: "RADIO_STATUS", Says: "signal strength at the craft's radio, in its own units"},
	RadioErrors:      {ID: RadioErrors, Name: "radio.errors", Kind: Number, Low: 0, High: 65535, Period: 1000 * time.Millisecond, Stale: 3000 * time.Millisecond, Message: "RADIO_STATUS", Says: "receive errors counted by the radio"},
	HomeLatitude:     {ID: HomeLatitude, Name: "home.latitude", Kind: Angle, Low: -1.5707963267948968, High: 1.5707963267948968, Period: 1000 * time.Millisecond, Stale: 10000 * time.Millisecond, Message: "HOME_POSITION", Says: "latitude of the craft's home"},
	HomeLongitude:    {ID: HomeLongitude, Name: "home.longitude", Kind: Angle, Low: -3.1415926535897936, High: 3.1415926535897936, Period: 1000 * time.Millisecond, Stale: 10000 * time.Millisecond, Message: "HOME_POSITION", Says: "longitude of the craft's home"},
	HomeAltitude:     {ID: HomeAltitude, Name: "home.altitude", Kind: Length, Low: -1000, High: 10000, Period: 1000 * time.Millisecond, Stale: 10000 * time.Millisecond, Message: "HOME_POSITION", Says: "altitude of the craft's home above sea level"},
	EstimatorFlags:   {ID: EstimatorFlags, Name: "craft.estimator_flags", Kind: Number, Low: 0, High: 65535, Period: 500 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "ESTIMATOR_STATUS", Says: "estimator status bits of the craft (ESTIMATOR_STATUS_FLAGS)"},
	Told1:            {ID: Told1, Name: "told1", Kind: Number, Low: -1e12, High: 1e12, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "value 1 that the craft names itself (NAMED_VALUE_FLOAT)"},
	Tension:          {ID: Tension, Name: "tether.tension", Kind: Force, Low: -1e5, High: 1e6, Period: 13 * time.Millisecond, Stale: 50 * time.Millisecond, Says: "tether tension at the anchor"},
	WindSpeed:        {ID: WindSpeed, Name: "wind.speed", Kind: Speed, Low: 0, High: 75, Period: 250 * time.Millisecond, Stale: 3000 * time.Millisecond, Says: "wind speed at the anemometer, from pulse periods"},
	LinkAge:          {ID: LinkAge, Name: "link.age", Kind: Duration, Low: 0, High: 1e9, Period: 100 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "time since the last accepted frame of the craft"},
	LinkLoss:         {ID: LinkLoss, Name: "link.loss", Kind: Ratio, Low: 0, High: 1, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "share of the craft's frames lost over the last 10 s, by sequence number"},
	LinkLag:          {ID: LinkLag, Name: "link.lag", Kind: Duration, Low: 0, High: 4294968, Period: 250 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "delay of the telemetry against the least of the last 10 minutes", Derived: true},
	Height:           {ID: Height, Name: "craft.height", Kind: Length, Low: -1000, High: 10000, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "height above the pad, from the source named in the pad file", Derived: true},
	Climb:            {ID: Climb, Name: "craft.climb", Kind: Speed, Low: -100, High: 100, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "climb, from the same source as the height", Derived: true},
	Apex:             {ID: Apex, Name: "craft.apex", Kind: Length, Low: -1000, High: 1e6, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "predicted top of the coast if power went off now", Derived: true},
	Distance:         {ID: Distance, Name: "craft.distance", Kind: Length, Low: 0, High: 20000, Period: 100 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "horizontal distance from the anchor", Derived: true},
	SlantRange:       {ID: SlantRange, Name: "craft.slant_range", Kind: Length, Low: 0, High: 20000, Period: 100 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "straight distance from the anchor", Derived: true},
	Sway:             {ID: Sway, Name: "craft.sway", Kind: Length, Low: 0, High: 20000, Period: 100 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "peak-to-peak sideways movement over 5 s, in any direction", Derived: true},
	Tilt:             {ID: Tilt, Name: "craft.tilt", Kind: Angle, Low: 0, High: 3.1415926535897936, Period: 100 * time.Millisecond, Stale: 200 * time.Millisecond, Says: "angle between the craft's mast and the vertical", Derived: true},
	MotorHighest:     {ID: MotorHighest, Name: "motor.highest", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "highest motor output", Derived: true},
	MotorSpread:      {ID: MotorSpread, Name: "motor.spread", Kind: Ratio, Low: 0, High: 2, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "highest less lowest motor output", Derived: true},
	MotorHeadroom:    {ID: MotorHeadroom, Name: "motor.headroom", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "what is left of the highest motor output", Derived: true},
	RotorSpeed:       {ID: RotorSpeed, Name: "rotor.speed", Kind: Frequency, Low: 0, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "fastest rotor, either way round", Derived: true},
	TensionRate:      {ID: TensionRate, Name: "tether.tension_rate", Kind: Force.Rate(), Low: -1e8, High: 1e8, Period: 13 * time.Millisecond, Stale: 50 * time.Millisecond, Says: "change of the tether tension", Derived: true},
	Gust:             {ID: Gust, Name: "wind.gust3s", Kind: Speed, Low: 0, High: 75, Period: 250 * time.Millisecond, Stale: 3000 * time.Millisecond, Says: "mean over 3 s (WMO-No. 8: the measure of a gust)", Derived: true},
	Mean2:            {ID: Mean2, Name: "wind.mean2min", Kind: Speed, Low: 0, High: 75, Period: 250 * time.Millisecond, Stale: 3000 * time.Millisecond, Says: "mean over 2 minutes", Derived: true},
	Mean10:           {ID: Mean10, Name: "wind.mean10min", Kind: Speed, Low: 0, High: 75, Period: 250 * time.Millisecond, Stale: 3000 * time.Millisecond, Says: "mean over 10 minutes", Derived: true},
	Peak10:           {ID: Peak10, Name: "wind.peak10min", Kind: Speed, Low: 0, High: 75, Period: 250 * time.Millisecond, Stale: 3000 * time.Millisecond, Says: "highest 3 s mean of the last 10 minutes", Derived: true},
	Lull10:           {ID: Lull10, Name: "wind.lull10min", Kind: Speed, Low: 0, High: 75, Period: 250 * time.Millisecond, Stale: 3000 * time.Millisecond, Says: "lowest 3 s mean of the last 10 minutes", Derived: true},
	CraftMode:        {ID: CraftMode, Name: "craft.mode", Kind: Number, Low: 0, High: 4294967295, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Message: "HEARTBEAT", Says: "flight mode of the craft, the autopilot's own number (HEARTBEAT.custom_mode)"},
	RotorWind:        {ID: RotorWind, Name: "wind.rotor", Kind: Speed, Low: 0, High: 150, Period: 250 * time.Millisecond, Stale: 3000 * time.Millisecond, Says: "wind speed carried up to rotor height", Derived: true},
	RotorGust:        {ID: RotorGust, Name: "wind.rotor_gust3s", Kind: Speed, Low: 0, High: 150, Period: 250 * time.Millisecond, Stale: 3000 * time.Millisecond, Says: "mean over 3 s carried up to rotor height, never less than at the mast", Derived: true},
	PackMeanCell:     {ID: PackMeanCell, Name: "pack.mean_cell", Kind: Voltage, Low: 0.6, High: 5, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "pack voltage over the declared count of cells", Derived: true},
	PackResistance:   {ID: PackResistance, Name: "pack.resistance", Kind: Resistance, Low: 0, High: 10, Period: 1000 * time.Millisecond, Stale: 60000 * time.Millisecond, Says: "resistance of the pack and its wiring, from quick steps of the load; slow recovery is not in it, so a long load takes more", Derived: true},
	PackResting:      {ID: PackResting, Name: "pack.resting", Kind: Voltage, Low: 0.6, High: 1000, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "pack voltage with the sag taken out", Derived: true},
	PackToFloor:      {ID: PackToFloor, Name: "pack.time_to_floor", Kind: Duration, Low: 0, High: 1e6, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "time until the loaded lowest cell meets the floor, if the load stays and the cell is lithium polymer: a heavier load or a later knee leaves less, a cylindrical lithium-ion cell more", Derived: true},
	LiftReserve:      {ID: LiftReserve, Name: "craft.lift_reserve", Kind: Ratio, Low: -1, High: 10, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "thrust still to be had over the thrust now, at least, from a measured full output of this craft; low by half at half output", Derived: true},
}
