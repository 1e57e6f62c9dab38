package main

import (
	"errors"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/cog/variants"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/stat"
	"github.com/grafana/grafana-foundation-sdk/go/table"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"
)

// The uids of the data sources, as provisioning/datasources names them.
var (
	now     = common.DataSourceRef{Type: new("prometheus"), Uid: new("bayledger-prometheus")}
	history = common.DataSourceRef{Type: new("influxdb"), Uid: new("bayledger-influxdb")}
)

// influxQL is a query of InfluxDB in its own language, which the SDK has no type for.
type influxQL struct {
	RefId        string               `json:"refId,omitempty"`
	Datasource   common.DataSourceRef `json:"datasource"`
	Query        string               `json:"query"`
	RawQuery     bool                 `json:"rawQuery"`
	ResultFormat string               `json:"resultFormat"`
	Alias        string               `json:"alias,omitempty"`
}

func (influxQL) ImplementsDataqueryVariant() {}
func (influxQL) DataqueryType() string       { return "influxdb" }

func (q influxQL) Equals(other variants.Dataquery) bool {
	o, ok := other.(influxQL)
	return ok && o.Query == q.Query && o.Alias == q.Alias
}

func (q influxQL) Validate() error {
	if q.Query == "" {
		return errors.New("a query of InfluxDB without a text")
	}
	return nil
}

// Build implements cog.Builder.
func (q influxQL) Build() (variants.Dataquery, error) { return q, nil }

type target = cog.Builder[variants.Dataquery]

// past asks InfluxDB; the series are named by the alias, in which $tag_bay stands for the bay.
func past(query, alias string) target {
	return influxQL{Datasource: history, Query: query, RawQuery: true, ResultFormat: "time_series", Alias: alias}
}

// ask asks Prometheus over the time shown.
func ask(expr, legend string) target {
	return prometheus.NewDataqueryBuilder().Datasource(now).Expr(expr).LegendFormat(legend).Range()
}

// askNow asks Prometheus for this moment, as rows of a table or as one figure.
func askNow(expr string) target {
	return prometheus.NewDataqueryBuilder().Datasource(now).Expr(expr).Instant().Format(prometheus.PromQueryFormatTable)
}

const (
	full  = 24
	half  = 12
	third = 8
)

func lines(title, says, unit string, width uint32, targets ...target) *timeseries.PanelBuilder {
	p := timeseries.NewPanelBuilder().Title(title).Description(says).Unit(unit).Span(width).Height(8).LineWidth(1.5).FillOpacity(0).
		ShowPoints(common.VisibilityModeNever).
		Legend(common.NewVizLegendOptionsBuilder().ShowLegend(true).DisplayMode(common.LegendDisplayModeList).Placement(common.LegendPlacementBottom)).
		Tooltip(common.NewVizTooltipOptionsBuilder().Mode(common.TooltipDisplayModeMulti))
	for _, t := range targets {
		p = p.WithTarget(t)
	}
	return p
}

func bars(title, says, unit string, width uint32, targets ...target) *timeseries.PanelBuilder {
	return lines(title, says, unit, width, targets...).DrawStyle(common.GraphDrawStyleBars).FillOpacity(60)
}

// limits colours a figure: green below the first, then orange, then red; the number says it, too.
func limits(orange, red float64) *dashboard.ThresholdsConfigBuilder {
	return dashboard.NewThresholdsConfigBuilder().Mode(dashboard.ThresholdsModeAbsolute).Steps([]dashboard.Threshold{
		{Color: "green"}, {Value: &orange, Color: "orange"}, {Value: &red, Color: "red"}})
}

func figure(title, says, unit string, t target) *stat.PanelBuilder {
	return stat.NewPanelBuilder().Title(title).Description(says).Unit(unit).Span(4).Height(4).ColorMode(common.BigValueColorModeValue).
		GraphMode(common.BigValueGraphModeNone).WithTarget(t)
}

// rows is a table of what a query of Prometheus finds now, without the columns that say nothing.
func rows(title, says, unit string, width, height uint32, t target) *table.PanelBuilder {
	return table.NewPanelBuilder().Title(title).Description(says).Unit(unit).Span(width).Height(height).WithTarget(t).
		WithTransformation(dashboard.DataTransformerConfig{Id: "organize", Options: map[string]any{"excludeByName": map[string]bool{"Time": true, "__name__": true, "instance": true, "job": true}}})
}

func choice(name, label, query string, many bool) *dashboard.QueryVariableBuilder {
	v := dashboard.NewQueryVariableBuilder(name).Label(label).Datasource(now).Query(dashboard.StringOrMap{String: &query}).
		Refresh(dashboard.VariableRefreshOnTimeRangeChanged).Sort(dashboard.VariableSortAlphabeticalAsc)
	if many {
		v = v.Multi(true).IncludeAll(true).Current(dashboard.VariableOption{
			Text:  dashboard.StringOrArrayOfString{ArrayOfString: []string{"All"}},
			Value: dashboard.StringOrArrayOfString{ArrayOfString: []string{"$__all"}}})
	}
	return v
}

func sites(many bool) *dashboard.QueryVariableBuilder {
	return choice("site", "Site", "label_values(bayledger_site_info, site)", many)
}

func courts() *dashboard.QueryVariableBuilder {
	return choice("court", "Court", `label_values(bayledger_bay_info{site=~"$site"}, court)`, true)
}

func bays(many bool) *dashboard.QueryVariableBuilder {
	return choice("bay", "Bay", `label_values(bayledger_bay_info{site=~"$site", court=~"$court"}, bay)`, many)
}

func address(name, label, says, value string) *dashboard.TextBoxVariableBuilder {
	return dashboard.NewTextBoxVariableBuilder(name).Label(label).Description(says).DefaultValue(dashboard.StringOrMap{String: &value})
}

func link(title, url string) *dashboard.DashboardLinkBuilder {
	return dashboard.NewDashboardLinkBuilder(title).Type(dashboard.DashboardLinkTypeLink).Url(url).TargetBlank(true).Icon("external link")
}

// board is a dashboard with what all have: the links to each other, to the site's own page and to
// the runbook.
func board(uid, title, says, from string) *dashboard.DashboardBuilder {
	return dashboard.NewDashboardBuilder(title).Uid(uid).Description(says).Tags([]string{"bayledger"}).Time(from, "now").Refresh("30s").
		Timezone(common.TimeZoneBrowser).Tooltip(dashboard.DashboardCursorSyncCrosshair).
		Link(dashboard.NewDashboardLinkBuilder("bayledger").Type(dashboard.DashboardLinkTypeDashboards).Tags([]string{"bayledger"}).IncludeVars(true).KeepTime(true)).
		Link(link("Page of the site", "${page}")).
		Link(link("Runbook", "${runbook}")).
		WithVariable(address("page", "Page", "Where the site's own page is reached from here.", "http://127.0.0.1:8420")).
		WithVariable(address("runbook", "Runbook", "Where deploy/prometheus/runbook.md is kept.", "runbook.md"))
}
