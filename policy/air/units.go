package air

// Celsius is a temperature in degrees Celsius.
type Celsius float64

// Kelvin is a thermodynamic temperature.
type Kelvin float64

// Pascal is a pressure.
type Pascal float64

// Ratio is a relative humidity or another share: 0..1, never percent.
type Ratio float64

// KgPerKg is a humidity ratio: kg of water vapor per kg of dry air.
type KgPerKg float64

// GramsPerCubicMeter is a mass concentration: absolute humidity, or carbon dioxide in air.
type GramsPerCubicMeter float64

// KgPerM3 is a density.
type KgPerM3 float64

// M3PerKg is a specific volume, per kg of dry air.
type M3PerKg float64

// KJPerKg is a specific enthalpy; kJ/kg and J/g are the same number.
type KJPerKg float64

// PPM is a share by volume (by number of molecules) in millionths.
type PPM float64

// Meters is an altitude above sea level.
type Meters float64

const zeroCelsius = 273.15 // K

// Kelvin converts to thermodynamic temperature.
func (t Celsius) Kelvin() Kelvin { return Kelvin(t) + zeroCelsius }

// Celsius converts to degrees Celsius.
func (t Kelvin) Celsius() Celsius { return Celsius(t - zeroCelsius) }

// Fahrenheit gives degrees Fahrenheit, for display.
func (t Celsius) Fahrenheit() float64 { return float64(t)*9/5 + 32 }

// FromFahrenheit converts from degrees Fahrenheit.
func FromFahrenheit(f float64) Celsius { return Celsius((f - 32) * 5 / 9) }
