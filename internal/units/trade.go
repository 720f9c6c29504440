package units

// trade maps spellings that are no product of prefix and atom onto UCUM ones.
// Lower-case letters are taken where no other unit of this trade could be meant.
var trade = map[string]string{
	"": "1", "rpm": "{r}/min", "Ah": "A.h", "mAh": "mA.h", "Wh": "W.h", "kWh": "kW.h", "ah": "A.h", "mah": "mA.h", "wh": "W.h",
	"dps": "deg/s", "sccm": "cm3/min", "Nm": "N.m", "R": "Ohm", "r": "Ohm",
	"Kohm": "kOhm", "KOhm": "kOhm", "KΩ": "kOhm", "KOHM": "kOhm", "Kohms": "kOhm",
	"v": "V", "mv": "mV", "uv": "uV", "kv": "kV", "a": "A", "ma": "mA", "ua": "uA", "w": "W", "c": "Cel",
	"hz": "Hz", "khz": "kHz", "kpa": "kPa", "pa": "Pa", "uf": "uF", "nf": "nF", "pf": "pF", "uh": "uH", "mh": "mH",
	"vdc": "V", "Vdc": "V", "VDC": "V", "vac": "V", "Vac": "V", "VAC": "V", "Adc": "A", "ADC": "A",
	"millivolts": "mV", "milliohm": "mOhm", "milliohms": "mOhm", "kiloohm": "kOhm", "megohm": "MOhm", "megohms": "MOhm",
	"minutes": "min", "seconds": "s", "hours": "h", "mm^2": "mm2", "mm²": "mm2",
	"minute": "min", "mins": "min", "second": "s", "secs": "s", "hour": "h", "hrs": "h", "msec": "ms", "usec": "us", "millisecond": "ms", "milliseconds": "ms",
	"microsecond": "us", "microseconds": "us", "millivolt": "mV", "kilovolt": "kV", "kilovolts": "kV", "microvolt": "uV", "microvolts": "uV",
	"mVdc": "mV", "mVDC": "mV", "mVac": "mV", "mVAC": "mV", "V dc": "V", "V DC": "V", "V ac": "V", "V AC": "V", "V=": "V", "V~": "V", "Vrms": "V", "V rms": "V", "Vpp": "V",
	"milliamp": "mA", "milliamps": "mA", "microamp": "uA", "microamps": "uA", "mAdc": "mA", "mADC": "mA", "A dc": "A", "A DC": "A", "Arms": "A", "A rms": "A", "amperes": "A",
	"kilohm": "kOhm", "kilohms": "kOhm", "kiloohms": "kOhm", "KOhms": "kOhm", "microohm": "uOhm", "microohms": "uOhm", "megaohm": "MOhm", "megaohms": "MOhm",
	"microfarad": "uF", "microfarads": "uF", "nanofarad": "nF", "picofarad": "pF", "farads": "F", "mfd": "uF", "microhenry": "uH", "millihenry": "mH",
	"deg C": "Cel", "deg. C": "Cel", "degrees C": "Cel", "° C": "Cel", "deg F": "[degF]", "degrees F": "[degF]", "° F": "[degF]", "fahrenheit": "[degF]", "Celsius": "Cel", "kelvins": "K",
	"joule": "J", "joules": "J", "newton": "N", "newtons": "N", "pascal": "Pa", "hertz": "Hz", "kilohertz": "kHz", "hpa": "hPa", "N m": "N.m", "N*m": "N.m",
	"cc": "cm3", "litres": "l", "liters": "l", "cc/min": "cm3/min", "lpm": "l/min", "LPM": "l/min", "sq mm": "mm2", "sqmm": "mm2", "qmm": "mm2", "sq cm": "cm2",
	"rev/min": "{r}/min", "r/min": "{r}/min", "RPM": "{r}/min", "mWh": "mW.h", "amp hours": "A.h", "amp-hours": "A.h", "AH": "A.h", "mAH": "mA.h", "WH": "W.h",
	"per cent": "%", "Ω/V": "Ohm/V", "weeks": "wk", "week": "wk", "°/sec": "deg/s", "deg/sec": "deg/s", "millimetre": "mm", "millimeter": "mm", "metre": "m", "meter": "m", "metres": "m", "meters": "m",
}
