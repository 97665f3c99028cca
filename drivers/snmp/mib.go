package snmp

import (
	"slices"
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
)

// Objects of the Host Resources MIB (RFC 2790, module HOST-RESOURCES-MIB) and of the Printer MIB v2 (RFC 3805, module
// Printer-MIB), each to be followed by hrDeviceIndex and, in a table of the Printer MIB, by the row.
const (
	hrDeviceType   = ".1.3.6.1.2.1.25.3.2.1.2"
	hrDeviceDescr  = ".1.3.6.1.2.1.25.3.2.1.3"
	hrDeviceStatus = ".1.3.6.1.2.1.25.3.2.1.5"

	hrPrinterStatus             = ".1.3.6.1.2.1.25.3.5.1.1"
	hrPrinterDetectedErrorState = ".1.3.6.1.2.1.25.3.5.1.2"

	hrDevicePrinter = ".1.3.6.1.2.1.25.3.1.5" // a value of hrDeviceType

	prtInputCapacityUnit = ".1.3.6.1.2.1.43.8.2.1.8"
	prtInputMaxCapacity  = ".1.3.6.1.2.1.43.8.2.1.9"
	prtInputCurrentLevel = ".1.3.6.1.2.1.43.8.2.1.10"
	prtInputMediaName    = ".1.3.6.1.2.1.43.8.2.1.12"
	prtInputName         = ".1.3.6.1.2.1.43.8.2.1.13"

	prtMarkerSuppliesClass       = ".1.3.6.1.2.1.43.11.1.1.4"
	prtMarkerSuppliesType        = ".1.3.6.1.2.1.43.11.1.1.5"
	prtMarkerSuppliesDescription = ".1.3.6.1.2.1.43.11.1.1.6"
	prtMarkerSuppliesSupplyUnit  = ".1.3.6.1.2.1.43.11.1.1.7"
	prtMarkerSuppliesMaxCapacity = ".1.3.6.1.2.1.43.11.1.1.8"
	prtMarkerSuppliesLevel       = ".1.3.6.1.2.1.43.11.1.1.9"

	prtConsoleDisplayBufferText = ".1.3.6.1.2.1.43.16.5.1.2"

	prtAlertSeverityLevel = ".1.3.6.1.2.1.43.18.1.1.2"
	prtAlertGroup         = ".1.3.6.1.2.1.43.18.1.1.4"
	prtAlertCode          = ".1.3.6.1.2.1.43.18.1.1.7"
	prtAlertDescription   = ".1.3.6.1.2.1.43.18.1.1.8"
)

// hrDeviceStatus and hrPrinterStatus, RFC 2790.
const (
	deviceRunning, deviceWarning, deviceTesting, deviceDown = 2, 3, 4, 5

	printerIdle, printerPrinting, printerWarmup = 3, 4, 5
)

// severity is how bad a reason is, in the order of badness.
type severity int

const (
	report severity = iota
	warning
	fault
)

func (s severity) suffix() string { return [...]string{"-report", "-warning", "-error"}[s] }

// detected are the bits of hrPrinterDetectedErrorState, bit 0 first, as keywords of RFC 8011 section 5.4.12 and PWG 5100.9.
// What the RFC 1514 table calls a warning does not stop a printer; the others do, if it says that it is down.
var detected = []struct {
	keyword string
	stops   bool
}{
	{"media-low", false},               // lowPaper
	{"media-empty", true},              // noPaper
	{"marker-supply-low", false},       // lowToner
	{"marker-supply-empty", true},      // noToner
	{"door-open", true},                // doorOpen
	{"media-jam", true},                // jammed
	{"subunit-offline", true},          // offline
	{"x-service-requested", false},     // serviceRequested
	{"input-tray-missing", true},       // inputTrayMissing
	{"output-tray-missing", true},      // outputTrayMissing
	{"marker-supply-missing", true},    // markerSupplyMissing
	{"output-area-almost-full", false}, // outputNearFull
	{"output-area-full", true},         // outputFull
	{"media-empty", true},              // inputTrayEmpty
	{"x-maintenance-overdue", false},   // overduePreventMaint
}

// Groups of prtAlertGroup (PrtAlertGroupTC of the IANA-PRINTER-MIB) whose subunits have reasons of their own.
const (
	groupInput          = 8
	groupOutput         = 9
	groupMarkerSupplies = 11
	groupMediaPath      = 13
)

// alertKeywords are the codes of prtAlertCode (PrtAlertCodeTC of the IANA-PRINTER-MIB) that say how a printer is. Those that
// say what has happened to it, such as a cover that was closed, are no reasons and are empty here.
var alertKeywords = map[int]string{
	3: "cover-open", 4: "", 5: "interlock-open", 6: "", 7: "", 8: "media-jam",
	9: "subunit-missing", 10: "subunit-life-almost-over", 11: "subunit-life-over",
	12: "subunit-almost-empty", 13: "subunit-empty", 14: "subunit-almost-full", 15: "subunit-full",
	16: "subunit-near-limit", 17: "subunit-at-limit", 18: "subunit-opened", 19: "", 20: "",
	21: "subunit-turned-off", 22: "subunit-offline", 23: "subunit-power-saver", 24: "subunit-warming-up",
	25: "", 26: "subunit-removed", 27: "", 28: "subunit-resource-removed",
	29: "subunit-recoverable-failure", 30: "subunit-unrecoverable-failure",
	31: "subunit-recoverable-storage", 32: "subunit-unrecoverable-storage",
	33: "subunit-motor-failure", 34: "subunit-memory-exhausted", 35: "subunit-under-temperature",
	36: "subunit-over-temperature", 37: "subunit-timing-failure", 38: "subunit-thermistor-failure",
	501: "door-open", 502: "", 503: "", 504: "shutdown", 505: "", 506: "", 507: "",
	801: "input-tray-missing", 802: "", 803: "", 804: "", 805: "", 806: "",
	807: "media-low", 808: "media-empty", 809: "media-needed", 810: "media-needed",
	901: "output-tray-missing", 902: "output-area-almost-full", 903: "output-area-full",
	1005: "x-adjusting-print-quality",
	1101: "marker-supply-empty", 1102: "marker-supply-empty", 1103: "marker-supply-empty",
	1104: "marker-supply-low", 1105: "marker-supply-low", 1106: "marker-supply-low",
	1107: "marker-waste-almost-full", 1108: "marker-waste-almost-full",
	1109: "marker-waste-full", 1110: "marker-waste-full", 1115: "marker-supply-missing",
	1301: "subunit-missing", 1302: "subunit-almost-full", 1303: "subunit-full",
	1801: "",
}

// ofGroup are the words for an event of one group where RFC 8011 has one.
var ofGroup = map[int]map[string]string{
	groupInput: {
		"subunit-missing": "input-tray-missing", "subunit-almost-empty": "media-low", "subunit-empty": "media-empty",
	},
	groupOutput: {
		"subunit-missing": "output-tray-missing", "subunit-almost-full": "output-area-almost-full", "subunit-full": "output-area-full",
	},
	groupMarkerSupplies: {
		"subunit-missing": "marker-supply-missing", "subunit-almost-empty": "marker-supply-low", "subunit-empty": "marker-supply-empty",
		"subunit-almost-full": "marker-waste-almost-full", "subunit-full": "marker-waste-full",
	},
	groupMediaPath: {"subunit-almost-full": "output-area-almost-full", "subunit-full": "output-area-full"},
}

// alert is a row of prtAlertTable.
type alert struct {
	severity, group, code int
	description           string
}

// severities of prtAlertSeverityLevel: other 1, critical 3, warning 4, warningBinaryChangeEvent 5.
const critical = 3

func (a alert) reason() (keyword string, how severity) {
	switch a.severity {
	case critical:
		how = fault
	case 4, 5:
		how = warning
	}
	keyword, known := alertKeywords[a.code]
	if !known {
		keyword = "other"
	}
	if own := ofGroup[a.group][keyword]; own != "" {
		keyword = own
	}
	return keyword, how
}

// supplyKinds are the words of PrtMarkerSuppliesTypeTC of the IANA-PRINTER-MIB, from 3 on.
var supplyKinds = strings.Fields(`toner waste-toner ink ink-cartridge ink-ribbon waste-ink opc developer fuser-oil solid-wax
	ribbon-wax waste-wax fuser corona-wire fuser-oil-wick cleaner-unit fuser-cleaning-pad transfer-unit toner-cartridge
	fuser-oiler water waste-water glue-water-additive waste-paper binding-supply banding-supply stitching-wire shrink-wrap
	paper-wrap staples inserts covers`)

func supplyKind(n int) string {
	if i := n - 3; i >= 0 && i < len(supplyKinds) {
		return supplyKinds[i]
	}
	return "other"
}

const (
	receptacleThatIsFilled = 4  // of prtMarkerSuppliesClass
	unitPercent            = 19 // of PrtMarkerSuppliesSupplyUnitTC and PrtCapacityUnitTC
)

// level sets a supply's level. Of a printer that says other (-1), unknown (-2) or that some is left (-3) nothing is known in
// per cent, and neither is it of one that does not tell its capacity, unless it counts in per cent.
func setLevel(s *tandemv1.Supply, level, capacity, unit int) {
	if capacity <= 0 && unit == unitPercent {
		capacity = 100
	}
	if level < 0 || capacity <= 0 {
		return
	}
	s.LevelKnown = true
	s.LevelPercent = int32(min(int64(level)*100/int64(capacity), 100))
}

// reasons are keywords, each once and as bad as it was ever called.
type reasons map[string]severity

func (r reasons) add(keyword string, how severity) {
	if keyword == "" {
		return
	}
	if known, ok := r[keyword]; !ok || how > known {
		r[keyword] = how
	}
}

// list returns the worst first, then by name, so that the same trouble always reads the same.
func (r reasons) list() []string {
	var out []string
	for _, how := range []severity{fault, warning, report} {
		var these []string
		for keyword, s := range r {
			if s == how {
				these = append(these, keyword+how.suffix())
			}
		}
		slices.Sort(these)
		out = append(out, these...)
	}
	return out
}
