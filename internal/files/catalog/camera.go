package catalog

import (
	"fmt"
	"image"
	"regexp"
	"strings"
	"time"

	"provoke/internal/files/document"
	"provoke/internal/units/rf"
)

// What a region of a camera's picture is looked at for.
const (
	LookForChange    = "change"
	LookForLamp      = "lamp"
	LookForDigits    = "digits"
	LookForReference = "reference"
)

// CameraRegion is a part of a camera's picture and the one question that is asked of it.
type CameraRegion struct {
	Name    string
	LookFor string
	Box     image.Rectangle // in pixels of the picture
	// Join is how many pictures show all of a multiplexed display; 0: found out from the lessons.
	Join             int
	Places, Decimals int
	OwnPoint         bool
	Lessons          []CameraLesson
}

// CameraLesson is a picture with what it shows, as somebody typed it.
type CameraLesson struct {
	File, Shows string
	Picture     []byte
}

// UnmeasuredLatency is what the latency of a picture or a sound is taken to be at most where nobody has measured it.
const UnmeasuredLatency = time.Second

// BrowserCamera stands in place of an address for the camera of the browser that shows the page.
const BrowserCamera = "browser"

// ByBrowser reports that a monitor watches through the browser's camera.
func (m Monitor) ByBrowser() bool { return m.Kind == MonitorCamera && m.URL == BrowserCamera }

// PicturesFrom says where a camera's pictures come from, and what is run for them.
func (m Monitor) PicturesFrom() string {
	switch m.URL {
	case "":
		return "pictures from the command " + strings.Join(m.Command, " ")
	case BrowserCamera:
		return "pictures from the camera of the browser, which the page sends"
	}
	return "pictures from " + m.URL
}

// Onlooker is a device that sees or hears the bench, and whoever is there, while monitors watch.
type Onlooker struct {
	Device string // "camera" or "microphone"
	Says   string // which monitor, what is run for it, and how late it is
}

// String names it at the beginning of a line.
func (o Onlooker) String() string { return strings.ToUpper(o.Device[:1]) + o.Device[1:] }

// OnlookersOf are the cameras and microphones that are on while these monitors watch.
func OnlookersOf(monitors []Monitor) (out []Onlooker) {
	for _, m := range monitors {
		device, from := "camera", m.PicturesFrom()
		switch m.Kind {
		case MonitorCamera:
		case MonitorSound:
			device, from = "microphone", m.SoundFrom()
		default:
			continue
		}
		late := "not measured, between 0 s and " + rf.Duration(UnmeasuredLatency).String()
		if m.Latency > 0 {
			late = m.Latency.String()
		}
		out = append(out, Onlooker{device, fmt.Sprintf("%s, %s; latency %s", m.ID, from, late)})
	}
	return out
}

// unmeasured says what a latency that nobody measured is taken for.
func (b *builder) unmeasured(path string, m *Monitor) {
	if b.doc.Has(path + ".latency") {
		return
	}
	how := "provoke try BENCH " + m.ID + " --latency measures it where the bench has a power_relay"
	if m.ByBrowser() {
		how = "write how long the camera takes until the browser has its picture, which tells when that was"
	}
	b.doc.Aside(path, fmt.Sprintf("%s has no latency: it is taken to lie between 0 s and %v, and each dwell is longer "+
		"by that", path, rf.Duration(UnmeasuredLatency)), how)
}

// cameraRegionFile is a region as written.
type cameraRegionFile struct {
	Name     string             `yaml:"name,required" says:"what is there, as the report is to call it"`
	LookFor  lookForFile        `yaml:"look_for,required" says:"the question that is asked of the region"`
	At       []document.Count   `yaml:"at,required" says:"[x, y, width, height] in pixels of the picture, from its upper left corner"`
	Join     document.Count     `yaml:"join" says:"pictures that together show a multiplexed display; default found out from the lessons"`
	Places   document.Count     `yaml:"places" says:"digits: characters of the display, side by side over the whole region"`
	Decimals document.Count     `yaml:"decimals" says:"digits: characters behind a point that never moves"`
	OwnPoint bool               `yaml:"own_point" says:"digits: true for a display whose point takes a place of its own"`
	Lessons  []cameraLessonFile `yaml:"lessons" says:"digits, lamp: pictures with what they show"`
}

// cameraLessonFile is a lesson as written.
type cameraLessonFile struct {
	File  string `yaml:"file,required" says:"JPEG picture of the camera, beside the bench file"`
	Shows string `yaml:"shows,required" says:"what stands there; of a lamp off, or anything else for lit"`
}

type lookForFile string

// UnmarshalText reads what is looked for.
func (l *lookForFile) UnmarshalText(t []byte) error {
	return word((*string)(l), t, LookForChange, LookForLamp, LookForDigits, LookForReference)
}

// credentials are where a name and a password stand.
var credentials = regexp.MustCompile(`^(env [A-Za-z_][A-Za-z0-9_]*|file \S.*)$`)

// login checks how a monitor logs in and whom it trusts. What stands there is not repeated: it may be the password.
func (b *builder) login(path string, m *Monitor, f monitorFile) {
	m.Credentials, m.Encrypted = f.Credentials, f.Encrypted
	if b.doc.Taken(path+".credentials") && !credentials.MatchString(m.Credentials) {
		m.Credentials = ""
		b.doc.Problem(path+".credentials", path+".credentials does not say where name and password stand",
			"write \"env NAME\" for an environment variable or \"file PATH\" for a file that holds name:password; "+
				"in the bench file itself every job would carry them")
	}
	if b.doc.Has(path + ".certificates") {
		m.Authority, _ = b.file(path+".certificates", f.Certificates)
	}
}

// Bounds of a camera.
const (
	mostRegions  = 64
	mostLessons  = 200
	mostPictures = 60 // a second
)

// camera takes where pictures come from and what is looked at in them.
func (b *builder) camera(path string, m *Monitor, f monitorFile) {
	b.login(path, m, f)
	switch url, command := b.doc.Has(path+".url"), b.doc.Has(path+".command"); {
	case url == command:
		b.doc.Problem(path, path+" needs url or command, one of the two",
			"the address of the camera's stream or still picture, \"url: browser\" for the camera of the browser "+
				"that shows the page, or a program that writes JPEG pictures to its standard output")
	case f.URL == BrowserCamera:
		for _, key := range []string{"credentials", "certificates"} {
			if b.doc.Has(path + "." + key) {
				b.doc.Problem(path+"."+key, path+": the browser's camera has no "+key, "remove it")
			}
		}
	case url:
		b.webAddress(path, f.URL)
	default:
		b.command(path, m, f)
	}
	if shortest := rf.Duration(time.Second / mostPictures); b.doc.Taken(path+".every") && m.Every < shortest {
		b.doc.Problem(path+".every", fmt.Sprintf("%s.every is %v: at most %d pictures a second are looked at", path,
			m.Every, mostPictures), "for example 100 ms")
	}
	b.unmeasured(path, m)
	if len(f.Regions) > mostRegions {
		b.doc.Problem(path+".regions", fmt.Sprintf("%d regions; at most %d are watched", len(f.Regions), mostRegions),
			"")
		return
	}
	names, numbers, questions := map[string]bool{}, 0, 0
	for i, r := range f.Regions {
		at := fmt.Sprintf("%s.regions[%d]", path, i)
		if names[r.Name] && r.Name != "" {
			b.doc.Problem(at+".name", fmt.Sprintf("two regions are called %q", r.Name), "give each its own name")
		}
		names[r.Name] = true
		region := b.region(at, r)
		switch region.LookFor {
		case LookForDigits:
			numbers++
			questions++
		case LookForLamp, LookForChange:
			questions++
		}
		m.Regions = append(m.Regions, region)
	}
	tolerance := b.doc.Has(path + ".tolerance")
	switch {
	case numbers > 1:
		b.doc.Problem(path+".regions", path+" has two displays with digits, and a monitor reads one number",
			"put the second into a monitor of its own with the same source")
	case numbers == 1 && !tolerance:
		b.doc.Problem(path, path+" reads a number but has no tolerance", "add for example \"tolerance: 0.05 kg\"")
	case tolerance && numbers == 0:
		b.doc.Problem(path+".tolerance", path+" has a tolerance but no region with digits", "remove it")
	case questions == 0 && b.doc.Taken(path+".regions"):
		b.doc.Problem(path+".regions", path+" looks at no region of the product", "add one that looks for change")
	}
}

// region takes one region.
func (b *builder) region(at string, f cameraRegionFile) CameraRegion {
	r := CameraRegion{Name: f.Name, LookFor: string(f.LookFor), Join: int(f.Join), Places: int(f.Places),
		Decimals: int(f.Decimals), OwnPoint: f.OwnPoint}
	if len(f.At) != 4 {
		if b.doc.Taken(at + ".at") {
			b.doc.Problem(at+".at", fmt.Sprintf("%s.at has %d numbers", at, len(f.At)),
				"write [x, y, width, height] in pixels, for example [40, 56, 160, 64]")
		}
	} else {
		r.Box = image.Rect(int(f.At[0]), int(f.At[1]), int(f.At[0]+f.At[2]), int(f.At[1]+f.At[3]))
	}
	digits := r.LookFor == LookForDigits
	for _, key := range []string{"places", "decimals", "own_point"} {
		if b.doc.Has(at+"."+key) && !digits && r.LookFor != "" {
			b.doc.Problem(at+"."+key, fmt.Sprintf("a region that looks for %s has no %s", r.LookFor, key), "remove it")
		}
	}
	switch {
	case digits && (r.Places == 0 || len(f.Lessons) == 0):
		b.doc.Problem(at, at+" looks for digits and has no places or no lessons",
			"count the display's characters, and give pictures that together show every digit, each with what "+
				"stands there")
	case len(f.Lessons) > 0 && !digits && r.LookFor != LookForLamp && r.LookFor != "":
		b.doc.Problem(at+".lessons", fmt.Sprintf("a region that looks for %s is not taught: it learns without RF",
			r.LookFor), "remove them")
	case len(f.Lessons) > mostLessons:
		b.doc.Problem(at+".lessons", fmt.Sprintf("%d lessons; at most %d are read", len(f.Lessons), mostLessons), "")
		return r
	}
	for i, l := range f.Lessons {
		if data, ok := b.file(fmt.Sprintf("%s.lessons[%d].file", at, i), l.File); ok {
			r.Lessons = append(r.Lessons, CameraLesson{l.File, strings.TrimSpace(l.Shows), data})
		}
	}
	return r
}
