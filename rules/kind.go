package rules

// Kind is the physical kind of a quantity. It says which units fit.
type Kind uint8

// The kinds. Inside the program a value is always in the unit named here.
const (
	Flag         Kind = iota + 1 // true or false, held as 1 or 0
	Number                       // a count or a code, no unit
	Ratio                        // fraction: 1 is 100 %
	Force                        // N
	Length                       // m
	Speed                        // m/s
	Acceleration                 // m/s²
	Voltage                      // V
	Current                      // A
	Charge                       // C (1 Ah = 3600 C)
	Energy                       // J (1 Wh = 3600 J)
	Mass                         // kg
	Duration                     // s
	Angle                        // rad
	AngularRate                  // rad/s
	Temperature                  // °C, an SI unit with its own zero
	Pressure                     // Pa
	Frequency                    // Hz (1 rpm = 1/60 Hz)
	Power                        // W
	Resistance                   // Ω

	kindCount
)

// perSecond marks the rate of change of a kind that has no name of its own.
const perSecond Kind = 0x80

// Rate is the kind of "this kind per second": Length gives Speed, Force gives
// newtons per second. The rate of a flag or of a rate is 0, which no unit fits.
func (k Kind) Rate() Kind {
	switch k {
	case 0, Flag:
		return 0
	case Length:
		return Speed
	case Speed:
		return Acceleration
	case Angle:
		return AngularRate
	}
	if k&perSecond != 0 {
		return 0
	}
	return k | perSecond
}
