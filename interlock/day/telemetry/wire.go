package telemetry

// The messages that feed channels: name, id, and the fields as they lie on the wire
// (MAVLink guide, "Field Reordering": by falling size of the type), extensions behind
// a semicolon. Facts of the open standard's common.xml; a test holds each to the
// library's definitions.
const (
	heartbeat = "HEARTBEAT 0: u32 custom_mode, u8 type, u8 autopilot, u8 base_mode, u8 system_status, " +
		"u8 mavlink_version"
	extendedSysState = "EXTENDED_SYS_STATE 245: u8 vtol_state, u8 landed_state"
	statustext       = "STATUSTEXT 253: u8 severity, char text[50]; u16 id, u8 chunk_seq"
	systemTime       = "SYSTEM_TIME 2: u64 time_unix_usec, u32 time_boot_ms"
	attitude         = "ATTITUDE 30: u32 time_boot_ms, f32 roll, f32 pitch, f32 yaw, f32 rollspeed, f32 pitchspeed, " +
		"f32 yawspeed"
	globalPositionInt = "GLOBAL_POSITION_INT 33: u32 time_boot_ms, i32 lat, i32 lon, i32 alt, i32 relative_alt, i16 vx, " +
		"i16 vy, i16 vz, u16 hdg"
	localPositionNed = "LOCAL_POSITION_NED 32: u32 time_boot_ms, f32 x, f32 y, f32 z, f32 vx, f32 vy, f32 vz"
	altitude         = "ALTITUDE 141: u64 time_usec, f32 altitude_monotonic, f32 altitude_amsl, f32 altitude_local, " +
		"f32 altitude_relative, f32 altitude_terrain, f32 bottom_clearance"
	vfrHud         = "VFR_HUD 74: f32 airspeed, f32 groundspeed, f32 alt, f32 climb, i16 heading, u16 throttle"
	distanceSensor = "DISTANCE_SENSOR 132: u32 time_boot_ms, u16 min_distance, u16 max_distance, u16 current_distance, " +
		"u8 type, u8 id, u8 orientation, u8 covariance; f32 horizontal_fov, f32 vertical_fov, " +
		"f32 quaternion[4], u8 signal_quality"
	homePosition = "HOME_POSITION 242: i32 latitude, i32 longitude, i32 altitude, f32 x, f32 y, f32 z, f32 q[4], " +
		"f32 approach_x, f32 approach_y, f32 approach_z; u64 time_usec"
	estimatorStatus = "ESTIMATOR_STATUS 230: u64 time_usec, f32 vel_ratio, f32 pos_horiz_ratio, f32 pos_vert_ratio, " +
		"f32 mag_ratio, f32 hagl_ratio, f32 tas_ratio, f32 pos_horiz_accuracy, f32 pos_vert_accuracy, " +
		"u16 flags"
	vibration = "VIBRATION 241: u64 time_usec, f32 vibration_x, f32 vibration_y, f32 vibration_z, u32 clipping_0, " +
		"u32 clipping_1, u32 clipping_2"
	windCov = "WIND_COV 231: u64 time_usec, f32 wind_x, f32 wind_y, f32 wind_z, f32 var_horiz, f32 var_vert, " +
		"f32 wind_alt, f32 horiz_accuracy, f32 vert_accuracy"
	radioStatus = "RADIO_STATUS 109: u16 rxerrors, u16 fixed, u8 rssi, u8 remrssi, u8 txbuf, u8 noise, u8 remnoise"
	sysStatus   = "SYS_STATUS 1: u32 onboard_control_sensors_present, u32 onboard_control_sensors_enabled, " +
		"u32 onboard_control_sensors_health, u16 load, u16 voltage_battery, i16 current_battery, " +
		"u16 drop_rate_comm, u16 errors_comm, u16 errors_count1, u16 errors_count2, u16 errors_count3, " +
		"u16 errors_count4, i8 battery_remaining; u32 onboard_control_sensors_present_extended, " +
		"u32 onboard_control_sensors_enabled_extended, u32 onboard_control_sensors_health_extended"
	batteryStatus = "BATTERY_STATUS 147: i32 current_consumed, i32 energy_consumed, i16 temperature, " +
		"u16 voltages[10], i16 current_battery, u8 id, u8 battery_function, u8 type, " +
		"i8 battery_remaining; i32 time_remaining, u8 charge_state, u16 voltages_ext[4], u8 mode, " +
		"u32 fault_bitmask"
	servoOutputRaw = "SERVO_OUTPUT_RAW 36: u32 time_usec, u16 servo1_raw, u16 servo2_raw, u16 servo3_raw, " +
		"u16 servo4_raw, u16 servo5_raw, u16 servo6_raw, u16 servo7_raw, u16 servo8_raw, u8 port; " +
		"u16 servo9_raw, u16 servo10_raw, u16 servo11_raw, u16 servo12_raw, u16 servo13_raw, " +
		"u16 servo14_raw, u16 servo15_raw, u16 servo16_raw"
	escStatus = "ESC_STATUS 291: u64 time_usec, i32 rpm[4], f32 voltage[4], f32 current[4], u8 index"
	escInfo   = "ESC_INFO 290: u64 time_usec, u32 error_count[4], u16 counter, u16 failure_flags[4], " +
		"i16 temperature[4], u8 index, u8 count, u8 connection_type, u8 info"
	winchStatus = "WINCH_STATUS 9005: u64 time_usec, f32 line_length, f32 speed, f32 tension, f32 voltage, " +
		"f32 current, u32 status, i16 temperature"
	namedValueFloat = "NAMED_VALUE_FLOAT 251: u32 time_boot_ms, f32 value, char name[10]"
)
