-- one row a setup and band of engine speed; a car counts once, however much it was logged
with cars as (
    select
        setup,
        band_rpm,
        label,
        median(duty_pct) as duty_pct,
        median(demand) as demand,
        median(ethanol_pct) as ethanol_pct,
        median(boost_kpa) as boost_kpa,
        avg(saturated::int) as saturated_share,
        count(distinct (log, pull)) as pulls
    from observations
    where in_quarter
    group by all
)
select
    setup,
    band_rpm,
    count(*) as cars,
    sum(pulls)::bigint as pulls,
    round(median(demand), 4) as demand_p50,
    round(median(ethanol_pct), 2) as ethanol_p50_pct,
    round(median(boost_kpa), 2) as boost_p50_kpa,
    round(quantile_cont(duty_pct, 0.10), 3) as duty_p10_pct,
    round(quantile_cont(duty_pct, 0.25), 3) as duty_p25_pct,
    round(quantile_cont(duty_pct, 0.50), 3) as duty_p50_pct,
    round(quantile_cont(duty_pct, 0.75), 3) as duty_p75_pct,
    round(quantile_cont(duty_pct, 0.90), 3) as duty_p90_pct,
    round(avg(saturated_share), 4) as saturated_share
from cars
group by setup, band_rpm
order by setup, band_rpm
