package rules

import "time"

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
	Pack2Voltage
	Pack2Current
	Pack2Charge
	Pack2Left
	Pack2Temperature
	Pack2LowestCell
	Pack2CellSpread
	Pack3Voltage
	Pack3Current
	Pack3Charge
	Pack3Left
	Pack3Temperature
	Pack3LowestCell
	Pack3CellSpread
	Pack4Voltage
	Pack4Current
	Pack4Charge
	Pack4Left
	Pack4Temperature
	Pack4LowestCell
	Pack4CellSpread
	Motor1Output
	Motor2Output
	Motor3Output
	Motor4Output
	Motor5Output
	Motor6Output
	Motor7Output
	Motor8Output
	Motor9Output
	Motor10Output
	Motor11Output
	Motor12Output
	Motor13Output
	Motor14Output
	Motor15Output
	Motor16Output
	Motor1Speed
	Motor2Speed
	Motor3Speed
	Motor4Speed
	Motor5Speed
	Motor6Speed
	Motor7Speed
	Motor8Speed
	Motor9Speed
	Motor10Speed
	Motor11Speed
	Motor12Speed
	Motor13Speed
	Motor14Speed
	Motor15Speed
	Motor16Speed
	ESCVoltage
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
	Told2
	Told3
	Told4
	Told5
	Told6
	Told7
	Told8
	Tension
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

	// ChannelCount is one more than the last ID: the size of a table by ID.
	ChannelCount
)

// catalogue holds one row for each channel, in the order of the constants.
var catalogue = [ChannelCount]Channel{
	CraftArmed:       {ID: CraftArmed, Name: "craft.armed", Kind: Flag, Low: 0, High: 1, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "armed, as the craft says"},
	CraftLanded:      {ID: CraftLanded, Name: "craft.landed", Kind: Flag, Low: 0, High: 1, Period: 1000 * time.Millisecond, Stale: 1500 * time.Millisecond, Says: "on the ground, as the craft says"},
	CraftStatus:      {ID: CraftStatus, Name: "craft.status", Kind: Number, Low: 0, High: 255, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "system status code of the craft (MAV_STATE)"},
	CraftSeverity:    {ID: CraftSeverity, Name: "craft.severity", Kind: Number, Low: 0, High: 7, Period: 1000 * time.Millisecond, Stale: 10000 * time.Millisecond, Says: "severity of the craft's last text, 0 emergency to 7 debug (RFC 5424)"},
	CraftBootClock:   {ID: CraftBootClock, Name: "craft.boot_clock", Kind: Duration, Low: 0, High: 4294968, Period: 250 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "time since the craft started, by its own clock"},
	CraftUTC:         {ID: CraftUTC, Name: "craft.utc", Kind: Duration, Low: 0, High: 1e10, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "the craft's own wall clock, seconds since 1970"},
	HeightGlobal:     {ID: HeightGlobal, Name: "craft.height.global", Kind: Length, Low: -1000, High: 10000, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "height above home, from GLOBAL_POSITION_INT"},
	ClimbGlobal:      {ID: ClimbGlobal, Name: "craft.climb.global", Kind: Speed, Low: -100, High: 100, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "climb, from GLOBAL_POSITION_INT"},
	HeightLocal:      {ID: HeightLocal, Name: "craft.height.local", Kind: Length, Low: -1000, High: 10000, Period: 100 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "height above the local origin, from LOCAL_POSITION_NED"},
	ClimbLocal:       {ID: ClimbLocal, Name: "craft.climb.local", Kind: Speed, Low: -100, High: 100, Period: 100 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "climb, from LOCAL_POSITION_NED"},
	North:            {ID: North, Name: "craft.north", Kind: Length, Low: -10000, High: 10000, Period: 100 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "north of the local origin"},
	East:             {ID: East, Name: "craft.east", Kind: Length, Low: -10000, High: 10000, Period: 100 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "east of the local origin"},
	HeightAltitude:   {ID: HeightAltitude, Name: "craft.height.altitude", Kind: Length, Low: -1000, High: 10000, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "height above home, from ALTITUDE"},
	HeightClearance:  {ID: HeightClearance, Name: "craft.height.clearance", Kind: Length, Low: 0, High: 10000, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "clearance below, from ALTITUDE"},
	HeightRange:      {ID: HeightRange, Name: "craft.height.range", Kind: Length, Low: 0, High: 300, Period: 100 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "distance to the ground, from a DISTANCE_SENSOR that looks down"},
	AltitudeSea:      {ID: AltitudeSea, Name: "craft.altitude.sea", Kind: Length, Low: -1000, High: 20000, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "altitude above sea level, from VFR_HUD; no height above the pad"},
	ClimbHUD:         {ID: ClimbHUD, Name: "craft.climb.hud", Kind: Speed, Low: -100, High: 100, Period: 250 * time.Millisecond, Stale: 300 * time.Millisecond, Says: "climb, from VFR_HUD"},
	Throttle:         {ID: Throttle, Name: "craft.throttle", Kind: Ratio, Low: 0, High: 1, Period: 250 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "throttle, from VFR_HUD"},
	Roll:             {ID: Roll, Name: "craft.roll", Kind: Angle, Low: -3.1415926535897936, High: 3.1415926535897936, Period: 100 * time.Millisecond, Stale: 200 * time.Millisecond, Says: "roll angle", FrozenAfter: 25},
	Pitch:            {ID: Pitch, Name: "craft.pitch", Kind: Angle, Low: -1.5707963267948968, High: 1.5707963267948968, Period: 100 * time.Millisecond, Stale: 200 * time.Millisecond, Says: "pitch angle", FrozenAfter: 25},
	Yaw:              {ID: Yaw, Name: "craft.yaw", Kind: Angle, Low: -3.1415926535897936, High: 6.283185307179587, Period: 100 * time.Millisecond, Stale: 200 * time.Millisecond, Says: "yaw angle"},
	RollRate:         {ID: RollRate, Name: "craft.roll_rate", Kind: AngularRate, Low: -70, High: 70, Period: 100 * time.Millisecond, Stale: 200 * time.Millisecond, Says: "roll rate"},
	PitchRate:        {ID: PitchRate, Name: "craft.pitch_rate", Kind: AngularRate, Low: -70, High: 70, Period: 100 * time.Millisecond, Stale: 200 * time.Millisecond, Says: "pitch rate"},
	YawRate:          {ID: YawRate, Name: "craft.yaw_rate", Kind: AngularRate, Low: -70, High: 70, Period: 100 * time.Millisecond, Stale: 200 * time.Millisecond, Says: "yaw rate"},
	SupplyVoltage:    {ID: SupplyVoltage, Name: "supply.voltage", Kind: Voltage, Low: 0.6, High: 1000, Period: 500 * time.Millisecond, Stale: 1000 * time.Millisecond, Says: "supply voltage, from SYS_STATUS"},
	SupplyCurrent:    {ID: SupplyCurrent, Name: "supply.current", Kind: Current, Low: -50, High: 1000, Period: 500 * time.Millisecond, Stale: 1000 * time.Millisecond, Says: "supply current, from SYS_STATUS"},
	SupplyLeft:       {ID: SupplyLeft, Name: "supply.left", Kind: Ratio, Low: 0, High: 1, Period: 500 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "charge left by the craft's own count, from SYS_STATUS"},
	Pack1Voltage:     {ID: Pack1Voltage, Name: "pack.voltage", Kind: Voltage, Low: 0.6, High: 1000, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "voltage of pack, the sum of its cells or the whole"},
	Pack1Current:     {ID: Pack1Current, Name: "pack.current", Kind: Current, Low: -50, High: 1000, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "current of pack"},
	Pack1Charge:      {ID: Pack1Charge, Name: "pack.charge", Kind: Charge, Low: 0, High: 3.6e6, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "charge drawn from pack"},
	Pack1Left:        {ID: Pack1Left, Name: "pack.left", Kind: Ratio, Low: 0, High: 1, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "charge left in pack by the craft's own count"},
	Pack1Temperature: {ID: Pack1Temperature, Name: "pack.temperature", Kind: Temperature, Low: -60, High: 150, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "temperature of pack"},
	Pack1LowestCell:  {ID: Pack1LowestCell, Name: "pack.lowest_cell", Kind: Voltage, Low: 0.6, High: 5, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "lowest cell of pack"},
	Pack1CellSpread:  {ID: Pack1CellSpread, Name: "pack.cell_spread", Kind: Voltage, Low: 0, High: 4, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "highest less lowest cell of pack"},
	Pack2Voltage:     {ID: Pack2Voltage, Name: "pack2.voltage", Kind: Voltage, Low: 0.6, High: 1000, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "voltage of pack 2, the sum of its cells or the whole"},
	Pack2Current:     {ID: Pack2Current, Name: "pack2.current", Kind: Current, Low: -50, High: 1000, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "current of pack 2"},
	Pack2Charge:      {ID: Pack2Charge, Name: "pack2.charge", Kind: Charge, Low: 0, High: 3.6e6, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "charge drawn from pack 2"},
	Pack2Left:        {ID: Pack2Left, Name: "pack2.left", Kind: Ratio, Low: 0, High: 1, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "charge left in pack 2 by the craft's own count"},
	Pack2Temperature: {ID: Pack2Temperature, Name: "pack2.temperature", Kind: Temperature, Low: -60, High: 150, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "temperature of pack 2"},
	Pack2LowestCell:  {ID: Pack2LowestCell, Name: "pack2.lowest_cell", Kind: Voltage, Low: 0.6, High: 5, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "lowest cell of pack 2"},
	Pack2CellSpread:  {ID: Pack2CellSpread, Name: "pack2.cell_spread", Kind: Voltage, Low: 0, High: 4, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "highest less lowest cell of pack 2"},
	Pack3Voltage:     {ID: Pack3Voltage, Name: "pack3.voltage", Kind: Voltage, Low: 0.6, High: 1000, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "voltage of pack 3, the sum of its cells or the whole"},
	Pack3Current:     {ID: Pack3Current, Name: "pack3.current", Kind: Current, Low: -50, High: 1000, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "current of pack 3"},
	Pack3Charge:      {ID: Pack3Charge, Name: "pack3.charge", Kind: Charge, Low: 0, High: 3.6e6, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "charge drawn from pack 3"},
	Pack3Left:        {ID: Pack3Left, Name: "pack3.left", Kind: Ratio, Low: 0, High: 1, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "charge left in pack 3 by the craft's own count"},
	Pack3Temperature: {ID: Pack3Temperature, Name: "pack3.temperature", Kind: Temperature, Low: -60, High: 150, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "temperature of pack 3"},
	Pack3LowestCell:  {ID: Pack3LowestCell, Name: "pack3.lowest_cell", Kind: Voltage, Low: 0.6, High: 5, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "lowest cell of pack 3"},
	Pack3CellSpread:  {ID: Pack3CellSpread, Name: "pack3.cell_spread", Kind: Voltage, Low: 0, High: 4, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "highest less lowest cell of pack 3"},
	Pack4Voltage:     {ID: Pack4Voltage, Name: "pack4.voltage", Kind: Voltage, Low: 0.6, High: 1000, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "voltage of pack 4, the sum of its cells or the whole"},
	Pack4Current:     {ID: Pack4Current, Name: "pack4.current", Kind: Current, Low: -50, High: 1000, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "current of pack 4"},
	Pack4Charge:      {ID: Pack4Charge, Name: "pack4.charge", Kind: Charge, Low: 0, High: 3.6e6, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "charge drawn from pack 4"},
	Pack4Left:        {ID: Pack4Left, Name: "pack4.left", Kind: Ratio, Low: 0, High: 1, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "charge left in pack 4 by the craft's own count"},
	Pack4Temperature: {ID: Pack4Temperature, Name: "pack4.temperature", Kind: Temperature, Low: -60, High: 150, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "temperature of pack 4"},
	Pack4LowestCell:  {ID: Pack4LowestCell, Name: "pack4.lowest_cell", Kind: Voltage, Low: 0.6, High: 5, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "lowest cell of pack 4"},
	Pack4CellSpread:  {ID: Pack4CellSpread, Name: "pack4.cell_spread", Kind: Voltage, Low: 0, High: 4, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "highest less lowest cell of pack 4"},
	Motor1Output:     {ID: Motor1Output, Name: "motor1.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 1, of its range"},
	Motor2Output:     {ID: Motor2Output, Name: "motor2.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 2, of its range"},
	Motor3Output:     {ID: Motor3Output, Name: "motor3.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 3, of its range"},
	Motor4Output:     {ID: Motor4Output, Name: "motor4.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 4, of its range"},
	Motor5Output:     {ID: Motor5Output, Name: "motor5.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 5, of its range"},
	Motor6Output:     {ID: Motor6Output, Name: "motor6.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 6, of its range"},
	Motor7Output:     {ID: Motor7Output, Name: "motor7.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 7, of its range"},
	Motor8Output:     {ID: Motor8Output, Name: "motor8.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 8, of its range"},
	Motor9Output:     {ID: Motor9Output, Name: "motor9.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 9, of its range"},
	Motor10Output:    {ID: Motor10Output, Name: "motor10.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 10, of its range"},
	Motor11Output:    {ID: Motor11Output, Name: "motor11.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 11, of its range"},
	Motor12Output:    {ID: Motor12Output, Name: "motor12.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 12, of its range"},
	Motor13Output:    {ID: Motor13Output, Name: "motor13.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 13, of its range"},
	Motor14Output:    {ID: Motor14Output, Name: "motor14.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 14, of its range"},
	Motor15Output:    {ID: Motor15Output, Name: "motor15.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 15, of its range"},
	Motor16Output:    {ID: Motor16Output, Name: "motor16.output", Kind: Ratio, Low: -0.5, High: 1.5, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "output to motor 16, of its range"},
	Motor1Speed:      {ID: Motor1Speed, Name: "motor1.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 1"},
	Motor2Speed:      {ID: Motor2Speed, Name: "motor2.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 2"},
	Motor3Speed:      {ID: Motor3Speed, Name: "motor3.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 3"},
	Motor4Speed:      {ID: Motor4Speed, Name: "motor4.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 4"},
	Motor5Speed:      {ID: Motor5Speed, Name: "motor5.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 5"},
	Motor6Speed:      {ID: Motor6Speed, Name: "motor6.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 6"},
	Motor7Speed:      {ID: Motor7Speed, Name: "motor7.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 7"},
	Motor8Speed:      {ID: Motor8Speed, Name: "motor8.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 8"},
	Motor9Speed:      {ID: Motor9Speed, Name: "motor9.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 9"},
	Motor10Speed:     {ID: Motor10Speed, Name: "motor10.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 10"},
	Motor11Speed:     {ID: Motor11Speed, Name: "motor11.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 11"},
	Motor12Speed:     {ID: Motor12Speed, Name: "motor12.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 12"},
	Motor13Speed:     {ID: Motor13Speed, Name: "motor13.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 13"},
	Motor14Speed:     {ID: Motor14Speed, Name: "motor14.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 14"},
	Motor15Speed:     {ID: Motor15Speed, Name: "motor15.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 15"},
	Motor16Speed:     {ID: Motor16Speed, Name: "motor16.speed", Kind: Frequency, Low: -2000, High: 2000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "rotor speed of motor 16"},
	ESCVoltage:       {ID: ESCVoltage, Name: "esc.voltage", Kind: Voltage, Low: 0.6, High: 1000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "lowest voltage that a motor controller reports"},
	ESCCurrent:       {ID: ESCCurrent, Name: "esc.current", Kind: Current, Low: -500, High: 5000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "sum of the motor controllers' currents"},
	ESCTemperature:   {ID: ESCTemperature, Name: "esc.temperature", Kind: Temperature, Low: -60, High: 250, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "hottest motor controller"},
	ESCFailures:      {ID: ESCFailures, Name: "esc.failures", Kind: Number, Low: 0, High: 65535, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "failure flags of all motor controllers, or-ed"},
	Vibration:        {ID: Vibration, Name: "craft.vibration", Kind: Acceleration, Low: 0, High: 1000, Period: 500 * time.Millisecond, Stale: 1000 * time.Millisecond, Says: "largest of the three vibration levels"},
	Clipping:         {ID: Clipping, Name: "craft.clipping", Kind: Number, Low: 0, High: 1e10, Period: 500 * time.Millisecond, Stale: 1000 * time.Millisecond, Says: "accelerometer clips so far, all three"},
	WinchTension:     {ID: WinchTension, Name: "winch.tension", Kind: Force, Low: -1e5, High: 1e6, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "line tension told by a winch (WINCH_STATUS)"},
	WinchLine:        {ID: WinchLine, Name: "winch.line_out", Kind: Length, Low: -10, High: 10000, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "line out told by a winch"},
	WinchSpeed:       {ID: WinchSpeed, Name: "winch.speed", Kind: Speed, Low: -100, High: 100, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "line speed told by a winch"},
	CraftWind:        {ID: CraftWind, Name: "craft.wind", Kind: Speed, Low: 0, High: 120, Period: 1000 * time.Millisecond, Stale: 3000 * time.Millisecond, Says: "horizontal wind by the craft's own estimate (WIND_COV)"},
	RadioRSSI:        {ID: RadioRSSI, Name: "radio.rssi", Kind: Number, Low: 0, High: 254, Period: 1000 * time.Millisecond, Stale: 3000 * time.Millisecond, Says: "signal strength at the ground radio, in its own units"},
	RadioRemoteRSSI:  {ID: RadioRemoteRSSI, Name: "radio.remote_rssi", Kind: Number, Low: 0, High: 254, Period: 1000 * time.Millisecond, Stale: 3000 * time.Millisecond, Says: "signal strength at the craft's radio, in its own units"},
	RadioErrors:      {ID: RadioErrors, Name: "radio.errors", Kind: Number, Low: 0, High: 65535, Period: 1000 * time.Millisecond, Stale: 3000 * time.Millisecond, Says: "receive errors counted by the radio"},
	HomeLatitude:     {ID: HomeLatitude, Name: "home.latitude", Kind: Angle, Low: -1.5707963267948968, High: 1.5707963267948968, Period: 1000 * time.Millisecond, Stale: 10000 * time.Millisecond, Says: "latitude of the craft's home"},
	HomeLongitude:    {ID: HomeLongitude, Name: "home.longitude", Kind: Angle, Low: -3.1415926535897936, High: 3.1415926535897936, Period: 1000 * time.Millisecond, Stale: 10000 * time.Millisecond, Says: "longitude of the craft's home"},
	HomeAltitude:     {ID: HomeAltitude, Name: "home.altitude", Kind: Length, Low: -1000, High: 10000, Period: 1000 * time.Millisecond, Stale: 10000 * time.Millisecond, Says: "altitude of the craft's home above sea level"},
	EstimatorFlags:   {ID: EstimatorFlags, Name: "craft.estimator_flags", Kind: Number, Low: 0, High: 65535, Period: 500 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "estimator status bits of the craft (ESTIMATOR_STATUS_FLAGS)"},
	Told1:            {ID: Told1, Name: "told1", Kind: Number, Low: -1e12, High: 1e12, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "value 1 that the craft names itself (NAMED_VALUE_FLOAT)"},
	Told2:            {ID: Told2, Name: "told2", Kind: Number, Low: -1e12, High: 1e12, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "value 2 that the craft names itself (NAMED_VALUE_FLOAT)"},
	Told3:            {ID: Told3, Name: "told3", Kind: Number, Low: -1e12, High: 1e12, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "value 3 that the craft names itself (NAMED_VALUE_FLOAT)"},
	Told4:            {ID: Told4, Name: "told4", Kind: Number, Low: -1e12, High: 1e12, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "value 4 that the craft names itself (NAMED_VALUE_FLOAT)"},
	Told5:            {ID: Told5, Name: "told5", Kind: Number, Low: -1e12, High: 1e12, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "value 5 that the craft names itself (NAMED_VALUE_FLOAT)"},
	Told6:            {ID: Told6, Name: "told6", Kind: Number, Low: -1e12, High: 1e12, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "value 6 that the craft names itself (NAMED_VALUE_FLOAT)"},
	Told7:            {ID: Told7, Name: "told7", Kind: Number, Low: -1e12, High: 1e12, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "value 7 that the craft names itself (NAMED_VALUE_FLOAT)"},
	Told8:            {ID: Told8, Name: "told8", Kind: Number, Low: -1e12, High: 1e12, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "value 8 that the craft names itself (NAMED_VALUE_FLOAT)"},
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
	RotorWind:        {ID: RotorWind, Name: "wind.rotor", Kind: Speed, Low: 0, High: 150, Period: 250 * time.Millisecond, Stale: 3000 * time.Millisecond, Says: "wind speed carried up to rotor height", Derived: true},
	PackMeanCell:     {ID: PackMeanCell, Name: "pack.mean_cell", Kind: Voltage, Low: 0.6, High: 5, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "pack voltage over the declared count of cells", Derived: true},
	PackResistance:   {ID: PackResistance, Name: "pack.resistance", Kind: Resistance, Low: 0, High: 10, Period: 1000 * time.Millisecond, Stale: 60000 * time.Millisecond, Says: "resistance of the pack and its wiring, from current steps", Derived: true},
	PackResting:      {ID: PackResting, Name: "pack.resting", Kind: Voltage, Low: 0.6, High: 1000, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "pack voltage with the sag taken out", Derived: true},
	PackToFloor:      {ID: PackToFloor, Name: "pack.time_to_floor", Kind: Duration, Low: 0, High: 1e6, Period: 1000 * time.Millisecond, Stale: 2500 * time.Millisecond, Says: "time until the pack reaches the floor at this rate", Derived: true},
	LiftReserve:      {ID: LiftReserve, Name: "craft.lift_reserve", Kind: Ratio, Low: -1, High: 10, Period: 200 * time.Millisecond, Stale: 500 * time.Millisecond, Says: "thrust still to be had at this output, over the thrust now, by the square law", Derived: true},
}
