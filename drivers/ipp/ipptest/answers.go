package ipptest

import "github.com/OpenPrinting/goipp"

func (p *Printer) attributes() goipp.Attributes {
	a := goipp.Attributes{}
	enum(&a, "printer-state", p.State)
	keywords(&a, "printer-state-reasons", p.Reasons)
	a.Add(goipp.MakeAttribute("printer-is-accepting-jobs", goipp.TagBoolean, goipp.Boolean(!p.Rejecting)))
	a.Add(goipp.MakeAttribute("multiple-document-jobs-supported", goipp.TagBoolean, goipp.Boolean(p.Several)))
	number(&a, "printer-up-time", p.UpTime)
	if len(p.Ready) > 0 {
		keywords(&a, "media-ready", p.Ready)
	}
	knows := goipp.Attribute{Name: "operations-supported"}
	for _, op := range []goipp.Op{
		goipp.OpPrintJob, goipp.OpValidateJob, goipp.OpCancelJob, goipp.OpGetJobAttributes, goipp.OpGetJobs, goipp.OpGetPrinterAttributes,
	} {
		knows.Values.Add(goipp.TagEnum, goipp.Integer(op))
	}
	if !p.OneRequest {
		knows.Values.Add(goipp.TagEnum, goipp.Integer(goipp.OpCreateJob))
		knows.Values.Add(goipp.TagEnum, goipp.Integer(goipp.OpSendDocument))
	}
	a.Add(knows)
	return append(a, p.Extra...)
}

func (p *Printer) jobAttributes(j *Job) goipp.Attributes {
	a := goipp.Attributes{}
	number(&a, "job-id", j.ID)
	a.Add(goipp.MakeAttribute("job-name", goipp.TagName, goipp.String(j.Name)))
	enum(&a, "job-state", j.State)
	keywords(&a, "job-state-reasons", j.Reasons)
	number(&a, "job-impressions", p.Impressions)
	number(&a, "job-impressions-completed", j.Done)
	number(&a, "number-of-documents", len(j.Documents))
	if p.Counts {
		size := 0
		for _, d := range j.Documents {
			size += len(d)
		}
		number(&a, "job-k-octets", (size+1023)/1024)
	}
	return a
}

func (p *Printer) list(to *goipp.Message, completed bool) {
	to.Groups = goipp.Groups{{Tag: goipp.TagOperationGroup, Attrs: to.Operation}}
	for _, j := range p.Jobs {
		if j.State >= Canceled == completed {
			to.Groups.Add(goipp.Group{Tag: goipp.TagJobGroup, Attrs: p.jobAttributes(j)})
		}
	}
}

func number(a *goipp.Attributes, name string, value int) {
	a.Add(goipp.MakeAttribute(name, goipp.TagInteger, goipp.Integer(value)))
}

func enum(a *goipp.Attributes, name string, value int) {
	a.Add(goipp.MakeAttribute(name, goipp.TagEnum, goipp.Integer(value)))
}

func keywords(a *goipp.Attributes, name string, values []string) {
	if len(values) == 0 {
		values = []string{"none"}
	}
	all := goipp.Attribute{Name: name}
	for _, v := range values {
		all.Values.Add(goipp.TagKeyword, goipp.String(v))
	}
	a.Add(all)
}

func value(attrs goipp.Attributes, name string) goipp.Value {
	for _, a := range attrs {
		if a.Name == name && len(a.Values) > 0 {
			return a.Values[0].V
		}
	}
	return nil
}

func integer(attrs goipp.Attributes, name string) int {
	n, _ := value(attrs, name).(goipp.Integer)
	return int(n)
}

func text(attrs goipp.Attributes, name string) string {
	s, _ := value(attrs, name).(goipp.String)
	return string(s)
}

func boolean(attrs goipp.Attributes, name string) bool {
	b, _ := value(attrs, name).(goipp.Boolean)
	return bool(b)
}
