-- one row a setup, band of engine speed and car: the medians of its pulls, which have one cell a band each
select
    setup,
    band_rpm,
    label,
    median(duty_pct) as duty_pct,
    median(demand) as demand,
    median(ethanol_pct) as ethanol_pct,
    median(boost_kpa) as boost_kpa,
    avg(saturated::int) as saturated_share,
    count(*) as pulls
from observations
where in_quarter
group by all
order by setup, band_rpm, label
